package wording

import (
	"fmt"
	"strings"

	"beltwarden/supervisor/job"
)

// mostListed bounds a list on a screen; --json has all of it.
const mostListed = 12

// Setting is what the machine adds to what a job says of itself.
type Setting struct {
	Around []job.Change // lines that the run puts around the job's
	// HeatUnknown says why a time of heating or cooling is not known. Without it
	// those times are left out.
	HeatUnknown string
	// Evidence lists what in the file shows where the part begins and ends.
	Evidence bool
}

// Plan writes what a job will do on the machine: where it is cut and why, what
// is withheld and added, what the run itself puts around it, its measures, what was
// found, and a verdict.
func Plan(p *job.Plan, x Setting, st Style) []string {
	out := st.strongRow("Job", fmt.Sprintf("%s: %d lines, %s", p.Path, p.Lines, bytes(p.SourceBytes)))
	add := func(lines []string) { out = append(out, lines...) }
	add(st.row("  digest", p.SHA256))
	for _, s := range []struct {
		label string
		s     *job.Section
	}{{"Lead-in", &p.LeadIn}, {"Body", &p.Body}, {"Lead-out", &p.LeadOut}} {
		add(st.strongRow(s.label, extent(s.s)))
		if s.s.Why != "" {
			add(st.row("  why", s.s.Why))
		}
	}
	if x.Evidence {
		add(st.strongRow("Evidence", "what in the file shows where the part begins and ends"))
		for _, e := range p.Evidence {
			add(st.row(fmt.Sprintf("  line %d", e.Line), e.Text))
		}
	}
	add(changes("Withheld", p.Withheld, st))
	add(changes("Added", p.Added, st))
	add(surround(x.Around, st))
	add(measures(p, st))
	if x.HeatUnknown != "" {
		add(HeatTimes(p.Heat, x.HeatUnknown, st))
	}
	add(unknown(p, st))
	add(findings(p.Findings, st))
	verdict := "it can run"
	switch errors, warnings := bySeverity(p.Findings, job.Error), bySeverity(p.Findings, job.Warning); {
	case errors > 0:
		verdict = "it must not run: " + Count(errors, "error")
	case warnings > 0:
		verdict = "it can run; read the " + Count(warnings, "warning") + " first"
	}
	return append(out, st.strongRow("Verdict", verdict)...)
}

func extent(s *job.Section) string {
	if s.LastLine < s.FirstLine {
		return "empty"
	}
	return fmt.Sprintf("lines %d to %d, %d sent to the machine", s.FirstLine, s.LastLine, s.SendLines)
}

// changes lists lines with the reason, the same reason only once in a row.
func changes(label string, list []job.Change, st Style) []string {
	if len(list) == 0 {
		return st.row(label, "nothing")
	}
	out := st.strongRow(label, Count(len(list), "line"))
	why := ""
	for i, c := range list {
		if i == mostListed {
			return append(out, st.row("", fmt.Sprintf("and %d more, listed by --json", len(list)-i))...)
		}
		text := fmt.Sprintf("%s, %s", c.Text, strings.ReplaceAll(string(c.Section), "_", "-"))
		if c.Why != why {
			text += ": " + c.Why
		}
		why = c.Why
		out = append(out, st.row(fmt.Sprintf("  line %d", c.Line), text)...)
	}
	return out
}

func unknown(p *job.Plan, st Style) []string {
	if len(p.Unknown) == 0 {
		return nil
	}
	var words []string
	for i, u := range p.Unknown {
		if i == mostListed {
			words = append(words, fmt.Sprintf("and %d more", len(p.Unknown)-i))
			break
		}
		words = append(words, fmt.Sprintf("%s (%d times, first in line %d)", u.Word, u.Count, u.Line))
	}
	return st.row("Not followed", strings.Join(words, ", "))
}

// findings groups them, the gravest first.
func findings(list []job.Finding, st Style) []string {
	if len(list) == 0 {
		return st.row("Findings", "none")
	}
	var out []string
	for _, g := range []struct {
		severity job.Severity
		label    string
	}{{job.Error, "Errors"}, {job.Warning, "Warnings"}, {job.Info, "To know"}} {
		n := bySeverity(list, g.severity)
		if n == 0 {
			continue
		}
		out = append(out, st.strongRow(g.label, fmt.Sprint(n))...)
		shown := 0
		for _, f := range list {
			if f.Severity != g.severity {
				continue
			}
			if shown == mostListed && g.severity != job.Error {
				out = append(out, st.row("", fmt.Sprintf("and %d more, listed by --json", n-shown))...)
				break
			}
			shown++
			where := "  file"
			if f.Line > 0 {
				where = fmt.Sprintf("  line %d", f.Line)
			}
			text := f.Text
			if f.Remedy != "" {
				text += "; " + f.Remedy
			}
			out = append(out, st.row(where, text)...)
		}
	}
	return out
}

func bySeverity(list []job.Finding, s job.Severity) int {
	n := 0
	for _, f := range list {
		if f.Severity == s {
			n++
		}
	}
	return n
}

// bytes writes a size with a unit that suits it.
func bytes(n int64) string {
	switch {
	case n < 10_000:
		return fmt.Sprintf("%d bytes", n)
	case n < 10_000_000:
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	default:
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	}
}
