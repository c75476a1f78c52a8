package serialio

import (
	"bytes"
	"strings"
)

// ReplyKind says what a line from the board is.
type ReplyKind int

// Kinds of reply.
const (
	ReplyUnknown    ReplyKind = iota // made no sense, or free text
	ReplyOK                          // a line is done with
	ReplyResend                      // a line was rejected
	ReplyError                       // a report of trouble; the board goes on
	ReplyHalted                      // the board takes no more commands until it is reset
	ReplyStart                       // the board has restarted
	ReplyWait                        // the board is idle, nothing queued
	ReplyBusy                        // a long command is still going on
	ReplyTemps                       // temperatures by themselves
	ReplyPosition                    // position by itself
	ReplyFirmware                    // KEY:value words that describe the firmware
	ReplyCapability                  // one capability, there or not
	ReplyAction                      // "// action:" word that asks the host to act
	ReplyComment                     // "//" text for people
	ReplyEcho                        // "echo:" text for people
)

var replyKindNames = [...]string{"unknown", "ok", "resend", "error", "halted", "start", "wait", "busy",
	"temperatures", "position", "firmware", "capability", "action", "comment", "echo"}

// String returns the kind in a word.
func (k ReplyKind) String() string {
	if k < 0 || int(k) >= len(replyKindNames) {
		return "invalid"
	}
	return replyKindNames[k]
}

// Temps are the temperatures of one report in degrees Celsius. A value is there
// only if its flag says so.
type Temps struct {
	NozzleC, NozzleTargetC     float64
	BedC, BedTargetC           float64
	ChamberC                   float64
	NozzleDuty, BedDuty        float64 // heater duty in the board's own units, commonly 0 to 127 or 255
	HasNozzle, HasNozzleTarget bool
	HasBed, HasBedTarget       bool
	NozzleUnread, BedUnread    bool // its key is there, with what is no temperature: nan, -127, 1100
	HasChamber                 bool
	HasSecond                  bool // a second nozzle, T1, is there
	HasNozzleDuty, HasBedDuty  bool
}

// Any reports whether any measured temperature is there.
func (t Temps) Any() bool { return t.HasNozzle || t.HasBed || t.HasChamber }

// Reply is one line from the board, understood. Fields that the line does not
// carry hold -1 where a number is meant and the zero value elsewhere.
type Reply struct {
	Kind         ReplyKind
	Number       int64      // resend: line wanted; ok: last line accepted; -1 not given
	PlannerFree  int        // ok: free planner slots, -1 not given
	BufferFree   int        // ok: free command slots, -1 not given
	Temps        Temps      // of temperature lines and of ok with temperatures
	Position     [4]float64 // X, Y, Z, E in the board's units
	HasPosition  bool       // X, Y and Z were there
	Capability   string     // name, for capability
	CapabilityOn bool
	Action       string // word, for action, for example "pause"
	Text         string // what follows the prefix; printable ASCII, at most maxText bytes
}

const maxText = 256

// ParseReply reads one line from the board, without its line end. It accepts
// anything: what it does not understand is ReplyUnknown. Its work and memory are
// bounded, however long the line.
func ParseReply(line []byte) Reply {
	r := Reply{Number: -1, PlannerFree: -1, BufferFree: -1}
	line = trimLine(line)
	switch {
	case len(line) == 0:
		return r
	case line[0] == 'o' && parseOK(&r, line):
	case parseWord(&r, line):
	case parsePrefix(&r, line):
	case parseTemps(&r.Temps, line):
		r.Kind = ReplyTemps
		r.Text = printable(line)
	case parsePosition(&r, line):
		r.Kind = ReplyPosition
		r.Text = printable(line)
	case isFirmware(line):
		r.Kind = ReplyFirmware
		r.Text = printable(line)
	default:
		r.Text = printable(line)
	}
	return r
}

// parseOK reads "ok" and what may follow: N, P and B of the advanced form,
// temperatures, a position, or text.
func parseOK(r *Reply, line []byte) bool {
	if len(line) < 2 || line[1] != 'k' || (len(line) > 2 && line[2] != ' ' && line[2] != '\t') {
		return false
	}
	r.Kind = ReplyOK
	rest := trimLine(line[2:])
	if len(rest) == 0 {
		return true
	}
	plain := true
	for word := range bytes.FieldsSeq(rest[:min(len(rest), maxText)]) {
		v, ok := parseInt(word[1:])
		switch {
		case ok && word[0] == 'N' && v <= maxBoardNumber:
			r.Number = v
		case ok && word[0] == 'P' && v <= 9999:
			r.PlannerFree = int(v)
		case ok && word[0] == 'B' && v <= 9999:
			r.BufferFree = int(v)
		default:
			plain = false
		}
	}
	if !plain {
		parseTemps(&r.Temps, rest)
		parsePosition(r, rest)
		r.Text = printable(rest)
	}
	return true
}

// maxBoardNumber is the largest line number a board can name: they commonly
// count in 32 bits.
const maxBoardNumber = 1<<32 - 1

// parseWord reads the replies that are one word, and the requests to send again.
func parseWord(r *Reply, line []byte) bool {
	switch {
	case equalFold(line, "start"):
		r.Kind = ReplyStart
	case equalFold(line, "wait"):
		r.Kind = ReplyWait
	case hasFold(line, "resend"):
		r.Kind, r.Number = ReplyResend, resendNumber(line[6:])
	case hasFold(line, "rs") && len(line) > 2 && (line[2] == ' ' || line[2] == ':' || line[2] == 'N'):
		r.Kind, r.Number = ReplyResend, resendNumber(line[2:])
	case hasFold(line, "!!"):
		r.Kind, r.Text = ReplyHalted, printable(line)
	default:
		return false
	}
	return true
}

// resendNumber reads the number of a request in any spelling, -1 if it cannot
// be read: then it is still a request.
func resendNumber(b []byte) int64 {
	b = bytes.TrimLeft(b[:min(len(b), 40)], ": \t")
	if len(b) > 0 && (b[0] == 'N' || b[0] == 'n') {
		b = bytes.TrimLeft(b[1:], ": \t")
	}
	end := bytes.IndexAny(b, " \t")
	if end < 0 {
		end = len(b)
	}
	if v, ok := parseInt(b[:end]); ok && v <= maxBoardNumber {
		return v
	}
	return -1
}

// parsePrefix reads the replies known by how they begin.
func parsePrefix(r *Reply, line []byte) bool {
	switch {
	case hasFold(line, "error:"):
		r.Kind, r.Text = ReplyError, printable(trimLine(line[6:]))
		if saysHalted(line) {
			r.Kind = ReplyHalted
		}
	case hasFold(line, "fatal"):
		r.Kind, r.Text = ReplyHalted, printable(line)
	case hasFold(line, "busy:"):
		r.Kind, r.Text = ReplyBusy, printable(trimLine(line[5:]))
	case hasFold(line, "echo:busy:"), hasFold(line, "echo: busy:"):
		_, after, _ := bytes.Cut(line[5:], []byte(":"))
		r.Kind, r.Text = ReplyBusy, printable(trimLine(after))
	case hasFold(line, "echo:"):
		r.Kind, r.Text = ReplyEcho, printable(trimLine(line[5:]))
	case hasFold(line, "cap:"):
		return parseCapability(r, line[4:])
	case hasFold(line, "//"):
		text := trimLine(line[2:])
		if hasFold(text, "action:") {
			r.Kind, r.Action = ReplyAction, printable(trimLine(text[7:]))
			return true
		}
		r.Kind, r.Text = ReplyComment, printable(text)
	default:
		return false
	}
	return true
}

// saysHalted reports whether an error text means that the board has given up. A
// board that says it has stopped commonly keeps answering ok and moves nothing.
func saysHalted(line []byte) bool {
	s := strings.ToLower(string(line[:min(len(line), maxText)]))
	for _, word := range []string{"halted", "kill", "stopped"} {
		if strings.Contains(s, word) {
			return true
		}
	}
	return false
}
