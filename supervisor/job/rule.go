package job

import (
	"bytes"
	"strings"

	"beltwarden/supervisor/gcode"
)

// rule is what to do with a line, whatever section it stands in.
type rule struct {
	withhold string   // why the line is not sent; empty: it is sent
	instead  []string // what is sent in its place
	shutdown bool     // ends the part: what follows shuts the machine down
	homes    bool     // homes an axis
	homesOff bool     // homes an axis that has no end stop
	refuse   refusal  // why the job cannot run with the line; empty code: it can
}

// refusal is why no lot may begin with a line that would be sent.
type refusal struct {
	code, text, remedy string
	noPlan             bool // no plan can be made with such a line: its figures would be wrong
}

// judge decides on a line and its bytes on the wire. Inspection applies it to every line of the
// file, and a [Reader] again to every line that it returns, so that altering the file in between
// changes nothing. Lines accepted by ParseMove need no judging: they have only the words of a move.
// Boards differ in how they read a line; the worst reading counts.
func (o *Options) judge(l *gcode.Line, wire []byte) rule {
	r := o.rule(l)
	if r.withhold == "" && bytes.IndexByte(wire, '*') >= 0 {
		r.withhold = "boards take a * for the end of the line, even in a text"
	}
	if r.withhold == "" && r.refuse.code == "" {
		if r.refuse = o.tooHot(l); r.refuse.code == "" && l.Letter == '#' {
			r.refuse = o.namedWordTooHot(l)
		}
	}
	if r.withhold == "" && r.refuse.code == "" {
		r.refuse = o.secondCommand(l)
	}
	return r
}

// secondCommand refuses a text with a second command in it, unless that is a command without effect
// here.
func (o *Options) secondCommand(l *gcode.Line) refusal {
	rest := l.Second()
	if rest == nil {
		return refusal{}
	}
	var in gcode.Line
	st, e := gcode.NewState(), gcode.Effect{}
	err := in.Parse(rest)
	if err == nil {
		err = st.ApplyLine(&in, &e)
	}
	r := o.rule(&in)
	if err == nil && !e.Lost && (e.Kind == gcode.KindUnknown || e.Kind == gcode.KindReport) && r.withhold == "" && r.refuse.code == "" && o.tooHot(&in).code == "" {
		return refusal{}
	}
	return refusal{"second-command", "a second command in the line, which some boards carry out and others ignore", "give it a line of its own, or take it out", true}
}

// rule judges a parsed line except for its heat. Many boards ignore a sub-code that they do not
// know, so that M500.1 is M500 to them.
func (o *Options) rule(l *gcode.Line) rule {
	switch {
	case l.Letter == '#' && !l.Named():
		return rule{withhold: foreignReason(l.Text())}
	case l.Letter == 'G' && l.Number == 28:
		return o.homing(l)
	case l.Letter == 'G' && l.Number <= 1 && l.Has(o.BeltAxis.Letter()) && mayHome(l):
		return rule{refuse: refusal{"belt-homed", l.Name() + " with H moves the belt up to an end stop, which it does not have",
			"take the line out of the job", true}}
	case l.Letter == 'M':
		why := withholdReason(l)
		if l.Number == 92 && l.Has(o.BeltAxis.Letter()) {
			why = "the belt's steps per millimetre are calibrated on the machine, not by a job"
		}
		if l.Number == 200 && l.Sub != 0 {
			return rule{refuse: refusal{"volumetric", "M200 with a sub-code makes E words volumes on some boards, and on others not", "write M200 alone, or slice with filament lengths", true}}
		}
		off := l.Number == 84 || l.Number == 18
		r := rule{withhold: why, shutdown: l.Sub == 0 && (off && !l.Has('S') || l.Number == 2 || l.Number == 81 ||
			l.Number == 30 && len(l.Text()) == 0)}
		return r
	}
	return rule{}
}

// mayHome reports whether some boards treat the move as a move to an end stop.
func mayHome(l *gcode.Line) bool {
	h, ok := l.Get('H')
	return l.Has('H') && (!ok || h != 0)
}

// withholdReason returns why an M command is never sent, or "".
func withholdReason(l *gcode.Line) string {
	switch l.Number {
	case 18, 84:
		return "releasing the motors lets the belt slip, and every part on it loses its place"
	case 808:
		return "repeats are made by the lot; boards obey this word only in files they store themselves"
	case 112, 410, 108, 524:
		return "it stops what the machine is doing"
	case 110, 113, 154, 155, 575:
		return "line numbers, reports and speed of the link belong to the sender"
	case 997, 999:
		return "it restarts the board, which then forgets where it stands"
	case 98, 99, 581, 582, 810, 811, 812, 813, 814, 815, 816, 817, 818, 819, 1000:
		return "it runs lines stored on the board, which nobody here has seen"
	case 20, 21, 22, 23, 24, 25, 26, 27, 28, 29, 30, 32, 33, 34, 470, 471, 472, 505, 559, 560, 928:
		if l.Number == 30 && len(l.Text()) == 0 {
			return "the end of the program is the end of the file"
		}
		return "it works on files stored on the board"
	case 2:
		return "the end of the program is the end of the file"
	case 80, 81:
		return "switching the supply would lose the position of the belt"
	case 302:
		return "no part of a run pushes filament through a cold nozzle: it grinds, and the part has gaps"
	case 85:
		return "heat.board_idle_limit_min sets how long the board waits without a move"
	case 303:
		return reasonTunesHeater
	case 306:
		if l.Has('T') {
			return reasonTunesHeater
		}
	case 42, 43, 62, 63, 64, 65, 67, 68:
		return "it switches a pin of the board, which may be a heater's"
	case 143, 305, 307, 308, 562, 570, 950:
		return "what the board knows of its heaters and sensors, and how it guards them, is set on the machine, not by a job"
	case 500, 501, 502, 504:
		return "it changes what the board has stored, the belt's calibration included"
	}
	return ""
}

// foreignReason returns why a line that is not a board's command is not sent.
func foreignReason(text []byte) string {
	switch text[0] {
	case '@':
		return "it is meant for a sending program, not for a board"
	case 'T', 't':
		return "it names no tool by its number"
	}
	return "it begins with no command, so that no board acts on it"
}

const reasonTunesHeater = "it heats by itself to tune the board"

// homing prevents an axis without end stop from being homed. The belt's place is called zero
// instead, since the job continues from there.
func (o *Options) homing(l *gcode.Line) rule {
	var named, homed [3]bool
	any := false
	for a := gcode.X; a <= gcode.Z; a++ {
		named[a] = l.Has(a.Letter())
		any = any || named[a]
	}
	for _, a := range o.HomedAxes {
		if a < gcode.E {
			homed[a] = true
		}
	}
	r := rule{shutdown: l.Sub == 0, homes: l.Sub == 0}
	var axes, without []string
	for a := gcode.X; a <= gcode.Z; a++ {
		switch {
		case any && !named[a]:
		case homed[a]:
			axes = append(axes, a.String())
		default:
			r.homesOff = true
			without = append(without, a.String())
		}
	}
	if !r.homesOff {
		return r
	}
	if r.homesOff = r.homes; !r.homes {
		r.withhold = "boards that do not know the sub-code home axis " + strings.Join(without, " and ") + ", which has no end stop"
		return r
	}
	r.withhold = "axis " + strings.Join(without, " and ") + " has no end stop to home to"
	if len(axes) > 0 {
		r.instead = append(r.instead, "G28 "+strings.Join(axes, " "))
	}
	if !any || named[o.BeltAxis] {
		r.instead = append(r.instead, "G92 "+o.BeltAxis.String()+"0")
	}
	return r
}

// advice is a warning about a command that is sent anyway.
type advice struct {
	code, text, remedy string
}

// adviceFor returns advice on a word, or a zero advice.
func adviceFor(l *gcode.Line) advice {
	if l.Letter != 'M' {
		return advice{}
	}
	switch l.Number {
	case 211:
		if v, ok := l.Get('S'); ok && v == 0 {
			return advice{"limits-off", "M211 S0 switches the board's travel limits off", "take it out of the job"}
		}
	}
	return advice{}
}

// waitsForSomeone reports whether the board waits at the command, hot and without limit, until
// somebody comes. M0 and M1 may also wait for a time.
func waitsForSomeone(l *gcode.Line) bool {
	if l.Letter != 'M' {
		return false
	}
	switch l.Number {
	case 0, 1:
		text := l.Text()
		timed := len(text) > 1 && (text[0]|0x20 == 's' || text[0]|0x20 == 'p') && text[1] >= '0' && text[1] <= '9'
		return !timed
	case 125, 226, 600, 601:
		return true
	}
	return false
}

// parseMarker recognises our own marker comments, in any case and spacing.
func parseMarker(line []byte) (begin, end bool) {
	i := 0
	for i < len(line) && (line[i] == ' ' || line[i] == '\t') {
		i++
	}
	if i == len(line) || line[i] != ';' || len(line) > 200 {
		return false, false
	}
	if !hasWord(line[i+1:], "beltwarden") {
		return false, false // the usual comment costs no allocation
	}
	switch strings.Join(strings.Fields(strings.ToLower(string(line[i+1:]))), " ") {
	case "beltwarden body begin":
		return true, false
	case "beltwarden body end":
		return false, true
	}
	return false, false
}

// hasWord reports whether the text begins with the lower-case word, white space
// and case aside.
func hasWord(text []byte, word string) bool {
	i := 0
	for i < len(text) && (text[i] == ' ' || text[i] == '\t') {
		i++
	}
	if len(text)-i < len(word) {
		return false
	}
	for k := range len(word) {
		if text[i+k]|0x20 != word[k] {
			return false
		}
	}
	return true
}
