package job

import (
	"errors"
	"fmt"
	"sort"
	"strings"

	"beltwarden/supervisor/gcode"
)

const (
	maxPerCode  = 20     // findings listed per kind; the rest are counted
	maxUnknown  = 200    // different unknown words listed
	maxWithheld = 20_000 // changes listed; a job with more is refused
)

// notes collects findings, bounded however long the file is.
type notes struct {
	problems []Finding
	findings []Finding
	counts   map[string]int
	unknown  map[string]*Unknown
	more     int64    // unknown words beyond maxUnknown
	opaque   []string // unknown words without a finding of their own
	opaqueAt int64    // line of the first
}

func newNotes() notes {
	return notes{counts: map[string]int{}, unknown: map[string]*Unknown{}}
}

// problem notes why the file is refused.
func (n *notes) problem(line int64, code, remedy, format string, args ...any) {
	n.counts["!"+code]++
	if n.counts["!"+code] <= maxPerCode {
		n.problems = append(n.problems, Finding{line, Error, code, fmt.Sprintf(format, args...), remedy})
	}
}

// refusals are the problems so far.
func (n *notes) refusals() []Finding { return n.problems }

// hasProblem reports whether a problem of a kind is noted.
func (n *notes) hasProblem(code string) bool { return n.counts["!"+code] > 0 }

// unreadable notes a line that cannot be read, once.
func (n *notes) unreadable(l *line, format string, args ...any) {
	if l.fresh {
		n.problem(l.n, "unreadable", "correct the line, or slice the part again", format, args...)
	}
}

// unusable notes a line that cannot be read or followed, once.
func (n *notes) unusable(l *line, err error) {
	var syntax *gcode.SyntaxError
	switch {
	case !l.fresh:
	case errors.As(err, &syntax):
		n.unreadable(l, "column %d: %s", syntax.Column, syntax.Problem)
	default:
		n.problem(l.n, "impossible", "correct the line, or slice the part again", "%v", err)
	}
}

// add notes a finding.
func (n *notes) add(line int64, severity Severity, code, remedy, format string, args ...any) {
	n.counts[code]++
	if n.counts[code] <= maxPerCode {
		n.findings = append(n.findings, Finding{line, severity, code, fmt.Sprintf(format, args...), remedy})
	}
}

// unknownWord counts a word that is not followed; say is false if another finding covers it.
func (n *notes) unknownWord(line int64, l *gcode.Line, say bool) {
	name := l.Name()
	u := n.unknown[name]
	if u == nil {
		if len(n.unknown) == maxUnknown {
			n.more++
			return
		}
		u = &Unknown{Word: name, Line: line}
		n.unknown[name] = u
		if say {
			if n.opaqueAt == 0 {
				n.opaqueAt = line
			}
			n.opaque = append(n.opaque, name)
		}
	}
	u.Count++
}

// dropSince drops problems of a body, noted since there were count problems, once it turns out that
// the part begins later. What is wrong anywhere in a file stays.
func (n *notes) dropSince(count int) {
	kept := n.problems[:count]
	for _, p := range n.problems[count:] {
		switch p.Code {
		case "heater-cycled", "belt-homed", "position-unknown", "shifted-in-part":
			n.counts["!"+p.Code]--
		case "motion-unknown":
			n.counts["!"+p.Code]--
			n.add(p.Line, Info, p.Code, "make sure that it does not move the belt", "%s", p.Text)
		default:
			kept = append(kept, p)
		}
	}
	n.problems = kept
}

// closeLists adds what was only counted and puts the lists in order of lines.
func (n *notes) closeLists(p *Plan) {
	if len(n.opaque) > 0 {
		list := n.opaque[:min(len(n.opaque), 12)]
		text := strings.Join(list, ", ")
		if more := len(n.opaque) - len(list); more > 0 {
			text += fmt.Sprintf(" and %d more", more)
		}
		n.add(n.opaqueAt, Info, "unknown-word", "make sure that they do no harm where they stand", "not followed here, and sent as they are: %s", text)
	}
	for code, count := range n.counts {
		if count <= maxPerCode {
			continue
		}
		if code[0] == '!' {
			n.problems = append(n.problems, Finding{0, Error, code[1:], fmt.Sprintf("%d more problems of this kind (%s)", count-maxPerCode, code[1:]), ""})
			continue
		}
		n.findings = append(n.findings, Finding{0, Info, code, fmt.Sprintf("%d more findings of this kind (%s)", count-maxPerCode, code), ""})
	}
	for _, u := range n.unknown {
		p.Unknown = append(p.Unknown, *u)
	}
	if n.more > 0 {
		p.Unknown = append(p.Unknown, Unknown{Word: "others", Count: n.more})
	}
	sort.Slice(p.Unknown, func(i, j int) bool { return p.Unknown[i].Line < p.Unknown[j].Line })
	p.Findings = append([]Finding{}, n.findings...) // an empty list reads as none
	byLine := func(f []Finding) func(i, j int) bool {
		return func(i, j int) bool {
			if f[i].Line != f[j].Line {
				return f[i].Line < f[j].Line
			}
			return f[i].Code < f[j].Code
		}
	}
	sort.SliceStable(p.Findings, byLine(p.Findings))
	sort.SliceStable(n.problems, byLine(n.problems))
}
