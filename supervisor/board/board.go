// Package board keeps what the controller has reported about itself: firmware, capabilities,
// steps/mm, limits, settings, position. It sends nothing and decides nothing.
package board

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/motion"
)

// Board is what the controller has reported about itself since the link came up. Nothing else is
// assumed.
type Board struct {
	Firmware    string
	StepsPerMM  float64       // of the belt axis; 0: not reported
	Limits      motion.Limits // of speed and acceleration; a zero field was not reported
	OwnSettings gcode.State   // its own settings, as far as reported

	capabilities map[string]bool
	inches       bool // it reported that its settings are in inches
	fresh        bool // it has restarted since somebody else sent it lines

	minuteBegan time.Time // when the present minute of messages began
	messages    int       // messages in it
}

// New returns a board that has reported nothing yet. fresh: it has restarted since anybody sent it
// lines, so that the settings it reports are its own.
func New(fresh bool) Board { return Board{capabilities: map[string]bool{}, fresh: fresh} }

// questions make a board identify itself. It may list its limits with all its settings, or answer a
// command without values, or neither: then it reports an unknown command, or only ok (common
// practice, no source). None of these commands moves or changes anything without arguments.
var questions = []string{"M115", "M92", "M503", "M201", "M203", "M204", "M205"}

// Questions returns the lines whose answers [Board.Handle] understands.
func Questions() []string { return slices.Clone(questions) }

// Handle applies a line from the board. axis is the letter of the belt axis. since is the state
// after the lines sent since the link came up: a setting that they may have changed is not the
// board's own.
func (b *Board) Handle(r serialio.Reply, axis byte, since gcode.State) {
	switch r.Kind {
	case serialio.ReplyCapability:
		if b.capabilities == nil {
			b.capabilities = map[string]bool{}
		}
		b.capabilities[r.Capability] = r.CapabilityOn
	case serialio.ReplyFirmware:
		b.Firmware = r.Text
	case serialio.ReplyEcho, serialio.ReplyUnknown:
		if steps, ok := stepsIn(r.Text, axis); ok {
			b.StepsPerMM = steps
		}
		b.handleLimits(r.Text)
		b.handleOwnSetting(r.Text, since)
	}
}

// Emergency reports whether the board acts on emergency commands before queueing.
func (b *Board) Emergency() bool { return b.capabilities["EMERGENCY_PARSER"] }

// CanReport reports whether the board can report temperatures on its own.
func (b *Board) CanReport() bool { return b.capabilities["AUTOREPORT_TEMP"] }

// ForgetSteps discards the steps/mm: they are being changed.
func (b *Board) ForgetSteps() { b.StepsPerMM = 0 }

// KnownLimits returns a copy of the reported limits, nil if there are none.
func (b *Board) KnownLimits() *motion.Limits {
	if b.Limits == (motion.Limits{}) {
		return nil
	}
	l := b.Limits
	return &l
}

// Seen returns the record of this board on a port.
func (b *Board) Seen(port string) ledger.BoardSeen {
	return ledger.BoardSeen{Port: port, Firmware: b.Firmware, Capabilities: maps.Clone(b.capabilities), StepsPerMM: b.StepsPerMM}
}

// Matches reports whether a recorded board has reported the same as this one.
func (b *Board) Matches(k *ledger.BoardSeen) bool {
	return k.Firmware == b.Firmware && k.StepsPerMM == b.StepsPerMM && changed(k.Capabilities, b.capabilities) == ""
}

// Differs lists how the board differs from the recorded one, except for its steps/mm, which have a
// tolerance of their own.
func (b *Board) Differs(k *ledger.BoardSeen) (list []string) {
	if k.Firmware != "" && b.Firmware != k.Firmware {
		list = append(list, fmt.Sprintf("the board identifies as %q; at its last run it was %q", b.Firmware, k.Firmware))
	}
	if c := changed(k.Capabilities, b.capabilities); c != "" {
		list = append(list, "the board's capabilities have changed: "+c)
	}
	return list
}

// changed lists which capabilities a board has lost or gained.
func changed(was, is map[string]bool) string {
	names := maps.Clone(is)
	if names == nil {
		names = map[string]bool{}
	}
	maps.Copy(names, was)
	var list []string
	for _, name := range slices.Sorted(maps.Keys(names)) {
		switch {
		case was[name] && !is[name]:
			list = append(list, name+" is gone")
		case !was[name] && is[name]:
			list = append(list, name+" is new")
		}
	}
	return strings.Join(list, ", ")
}

// maxMessagesPerMinute bounds how many of the board's messages are recorded.
const maxMessagesPerMinute = 10

// KeepMessage returns the text to record of a message, "" once the board has sent too many within a
// minute. Each recorded message costs a transaction, and a board may repeat itself endlessly.
func (b *Board) KeepMessage(now time.Time, text string) string {
	if now.Sub(b.minuteBegan) >= time.Minute {
		b.minuteBegan, b.messages = now, 0
	}
	b.messages++
	switch {
	case b.messages < maxMessagesPerMinute:
		return text
	case b.messages == maxMessagesPerMinute:
		return "the board sends more messages than are kept: " + text
	}
	return ""
}

// Answer is what the board has reported since the newest fault.
type Answer struct {
	Answered  bool
	Restarted bool
	Number    int64 // its last accepted line number, -1: not reported
	Position  Position
}

// stepsIn finds an axis's steps/mm in a settings line such as
// "echo: M92 X80.00 Y80.00 Z400.00 E93.00".
func stepsIn(text string, axis byte) (float64, bool) {
	_, rest, ok := strings.Cut(text, "M92 ")
	if !ok {
		return 0, false
	}
	for _, word := range strings.Fields(rest) {
		if word[0] == axis {
			steps, err := strconv.ParseFloat(word[1:], 64)
			return steps, err == nil && steps > 0
		}
	}
	return 0, false
}

// handleOwnSetting applies a reported setting as the board's own, unless a line that was sent since
// its restart may have set it.
func (b *Board) handleOwnSetting(text string, since gcode.State) {
	reported := gcode.NewState()
	text = plain(text)
	if !b.fresh || b.inches || !reported.ApplyReported(text) {
		return
	}
	for k := range reported.Settings {
		if reported.Settings[k].Set&since.Settings[k].Set != 0 {
			return
		}
	}
	if len(since.Lasting.Lines()) == 0 || len(reported.Lasting.Lines()) == 0 {
		b.OwnSettings.ApplyReported(text)
	}
}

// plain strips what boards put before a line.
func plain(text string) string {
	text = strings.TrimSpace(text)
	if len(text) > 5 && strings.EqualFold(text[:5], "echo:") {
		text = strings.TrimSpace(text[5:])
	}
	return text
}
