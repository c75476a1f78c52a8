package supervisor

import (
	"slices"
	"strings"
	"time"

	"beltwarden/serialio/rig"
)

// spot is a place in the stream that was handed to the connections: the number of completed programs
// of a connection, of lines of the next, and of control lines.
type spot struct{ link, program, line, ask int }

// follower follows the notes along the machine's record. Control lines may come anywhere between the
// lines of programs, and may look like them, so it keeps every place that is possible.
type follower struct {
	links []*linkNotes
	at    []spot
}

// reach adds a spot and those reachable from it without executing a line: a program ends; the next
// connection takes over what the last one has lost.
func (f *follower) reach(s spot, now time.Duration) {
	for {
		if slices.Contains(f.at, s) {
			return
		}
		f.at = append(f.at, s)
		l := f.links[s.link]
		if s.link+1 < len(f.links) && now >= f.links[s.link+1].at {
			f.reach(spot{link: s.link + 1}, now)
		}
		if s.program == len(l.programs) {
			return
		}
		p := l.programs[s.program]
		left := len(p.lines) - s.line
		// The newest line of a program that was cancelled may not have been numbered.
		if left > 1 || left == 1 && !p.cancelled {
			return
		}
		s = spot{s.link, s.program + 1, 0, s.ask}
	}
}

// take advances by one executed line. It returns false if no place allows it.
func (f *follower) take(e rig.Executed) (ok, altered bool) {
	from := f.at
	f.at = nil
	for _, s := range from {
		f.reach(s, e.At)
	}
	from, f.at = f.at, nil
	for _, s := range from {
		l := f.links[s.link]
		if s.program < len(l.programs) {
			if p := l.programs[s.program]; s.line < len(p.lines) && p.lines[s.line] == e.Text {
				f.reach(spot{s.link, s.program, s.line + 1, s.ask}, 0)
			}
		}
		if s.ask < len(l.asks) && l.asks[s.ask] == e.Text {
			f.reach(spot{s.link, s.program, s.line, s.ask + 1}, 0)
		}
		switch {
		case e.Number < 0 && slices.Contains(l.urgent, e.Text):
			f.reach(s, 0)
		case s.program == 0 && s.line == 0 && s.ask == 0 && strings.HasPrefix(e.Text, "M110 N"):
			f.reach(s, 0) // the connection sets the number, before anything else
		}
	}
	if len(f.at) > 0 || !e.Damaged {
		return len(f.at) > 0, false
	}
	// What it has become, and what it replaced, is unknown.
	for _, s := range from {
		f.reach(s, 0)
		l := f.links[s.link]
		if s.program < len(l.programs) && s.line < len(l.programs[s.program].lines) {
			f.reach(spot{s.link, s.program, s.line + 1, s.ask}, 0)
		}
		if s.ask < len(l.asks) {
			f.reach(spot{s.link, s.program, s.line, s.ask + 1}, 0)
		}
	}
	return true, true
}

// want describes what could have come next.
func (f *follower) want(at []spot) string {
	var list []string
	for _, s := range at {
		l := f.links[s.link]
		if s.program < len(l.programs) && s.line < len(l.programs[s.program].lines) {
			list = append(list, l.programs[s.program].lines[s.line])
		}
		if s.ask < len(l.asks) {
			list = append(list, "(asked) "+l.asks[s.ask])
		}
	}
	return strings.Join(list, " or ")
}

func texts(record []rig.Executed) string {
	var list []string
	for _, e := range record {
		list = append(list, e.Text)
	}
	return strings.Join(list, ", ")
}
