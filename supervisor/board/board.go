// Package board keeps what the controller behind the link has said of itself: firmware, abilities,
// steps/mm, limits, settings, place. It asks nothing, sends nothing and decides nothing.
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

// Board is what the controller said of itself since the link came up. Nothing is
// assumed that it did not say.
type Board struct {
	Firmware    string
	StepsPerMM  float64       // of the belt axis; 0: not reported
	Limits      motion.Limits // of speed and acceleration; what is zero was not reported
	OwnSettings gcode.State   // settings that it has by itself, as far as reported

	capabilities map[string]bool
	inches       bool // it reported that its settings are in inches
	fresh        bool // it has restarted since anybody else sent it lines

	minuteBegan time.Time // when the present minute of its messages began
	messages    int       // messages in it
}

// New returns a board that has said nothing yet. fresh: it has restarted since anybody
// sent it lines, so that the settings it reports are its own.
func New(fresh bool) Board { return Board{capabilities: map[string]bool{}, fresh: fresh} }

// questions make a board say what it is. Its limits it may list with all its settings, or
// answer a word that comes without values, or neither: it says that it does not know the
// word, or nothing but ok (common practice, no source). None of these words moves or
// changes anything when it stands alone.
var questions = []string{"M115", "M92", "M503", "M201", "M203", "M204", "M205"}

// Questions are the lines to send for what [Board.Hear] understands of a board.
func Questions() []string { return slices.Clone(questions) }

// Handle takes in a line of the board's own. axis is the letter of the belt axis. since is
// where the lines that were sent since the link came up lead to: a setting that they may
// have changed is not the board's own.
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

// Emergency reports whether emergency words are acted on before queueing.
func (b *Board) Emergency() bool { return b.capabilities["EMERGENCY_PARSER"] }

// CanReport reports whether the board can send temperatures by itself.
func (b *Board) CanReport() bool { return b.capabilities["AUTOREPORT_TEMP"] }

// ForgetSteps begins anew to wait for the steps/mm: they are being changed.
func (b *Board) ForgetSteps() { b.StepsPerMM = 0 }

// KnownLimits is a copy of what the board reported of its limits, or nil.
func (b *Board) KnownLimits() *motion.Limits {
	if b.Limits == (motion.Limits{}) {
		return nil
	}
	l := b.Limits
	return &l
}

// Seen is what is recorded of the board as the one of a port.
func (b *Board) Seen(port string) ledger.BoardSeen {
	return ledger.BoardSeen{Port: port, Firmware: b.Firmware, Capabilities: maps.Clone(b.capabilities), StepsPerMM: b.StepsPerMM}
}

// Matches reports whether what was recorded of a board is what this one says: there is nothing new to record.
func (b *Board) Matches(k *ledger.BoardSeen) bool {
	return k.Firmware == b.Firmware && k.StepsPerMM == b.StepsPerMM && changed(k.Capabilities, b.capabilities) == ""
}

// Differs lists in what the board is unlike the one that its port had at its last run, apart from its
// steps/mm, which have bounds of their own.
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

// maxMessagesPerMinute is how many messages of the board's own are kept in a minute.
const maxMessagesPerMinute = 10

// KeepMessage returns what to keep of a message: all of it, or "" once the board has sent too many
// within a minute. Each that is kept is a transaction, and a board may repeat itself for ever.
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

// Answer is what the board has said of itself since the newest fault.
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

// handleOwnSetting takes a line of the board's own into what is known of its settings, unless a line that was
// sent since it has restarted may have set them.
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

// plain is a line without what boards put before it.
func plain(text string) string {
	text = strings.TrimSpace(text)
	if len(text) > 5 && strings.EqualFold(text[:5], "echo:") {
		text = strings.TrimSpace(text[5:])
	}
	return text
}
