package wording

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"beltwarden/daemon/client"
)

// Lots writes one line a lot.
func Lots(lots []client.LotSummary, st Style) []string {
	if len(lots) == 0 {
		return []string{"no lots yet: open one with beltwarden lot start JOB --good N"}
	}
	const row = "%4v  %-8v %7v %5v %5v %9v  %s"
	out := []string{st.strong(fmt.Sprintf("%43s", "not")),
		st.strong(fmt.Sprintf(row, "lot", "status", "ordered", "good", "scrap", "looked at", "name"))}
	for _, l := range lots {
		name := Printable(l.Name)
		if st.Terminal {
			name = Clip(name, max(8, st.width()-46))
		}
		out = append(out, fmt.Sprintf(row, l.ID, l.Status, l.Ordered, l.Good, l.Scrap, l.Unverified, name))
	}
	return out
}

// Lot writes one lot with its history, the oldest first.
func Lot(l *client.LotDetail, st Style) []string {
	head := fmt.Sprintf("%d %s, %s", l.ID, l.Name, l.Status)
	if l.Reason != "" {
		head += " (" + l.Reason + ")"
	}
	out := st.strongRow("Lot", head)
	add := func(lines []string) { out = append(out, lines...) }
	add(st.row("  opened", stamp(l.Opened)))
	add(st.row("  count", fmt.Sprintf("%s; %s begun", l.Count(), Count(l.CyclesBegun, "cycle"))))
	if l.Interrupted+l.InterruptedGood+l.InterruptedScrap > 0 {
		add(st.row("  interrupted", fmt.Sprintf("%d not decided, %d good, %d scrap", l.Interrupted, l.InterruptedGood, l.InterruptedScrap)))
	}
	for _, reason := range slices.Sorted(maps.Keys(l.ScrapByReason)) {
		add(st.row("  scrap", fmt.Sprintf("%d %s", l.ScrapByReason[reason], reason)))
	}
	for _, j := range l.Jobs {
		add(st.row("Job", fmt.Sprintf("%d %s, %s", j.Index+1, j.Name, j.Count())))
		add(st.row("  file", j.Path))
		if j.Copy != "" {
			add(st.row("  again", "beltwarden lot start "+j.Copy+" --good N"))
		} else {
			add(st.row("  again", "its copy is no longer kept"))
		}
		add(st.row("  a cycle", fmt.Sprintf("%.1f mm of filament, %.1f mm of belt travel, pitch %.1f mm", j.FilamentMMPerCycle, j.BeltTravelMMPerCycle, j.PitchMM)))
		withheld, added := alterations(l, j.Index)
		add(st.row("  altered", fmt.Sprintf("%s withheld, %d added (listed by --json)", Count(withheld, "line"), added)))
	}
	add(cycleRows(l, st))
	add(figureRows(&l.Figures, st))
	add(adhesionRows(&l.Adhesion, st))
	for _, h := range l.Holds {
		add(st.row(fmt.Sprintf("Hold %d", h.ID), holdText(h)))
	}
	for _, c := range l.Checks {
		name := fmt.Sprintf("Check %d", c.ID)
		if c.CorrectedBy > 0 {
			name = fmt.Sprintf("(Check %d)", c.ID) // it no longer counts
		}
		add(st.row(name, checkText(c)))
	}
	return out
}

func alterations(l *client.LotDetail, job int) (withheld, added int) {
	for _, a := range l.Alterations {
		switch {
		case a.JobIndex != job:
		case a.Kind == "withheld":
			withheld++
		default:
			added++
		}
	}
	return withheld, added
}

// cycleRows sums cycles up by state and lists those that were interrupted.
func cycleRows(l *client.LotDetail, st Style) []string {
	var out []string
	var seconds float64
	made := 0
	for _, c := range l.Cycles {
		if c.Made != nil {
			made++
			seconds += c.MachineTimeS
		}
		if c.Interrupted == nil {
			continue
		}
		text := fmt.Sprintf("%s: %s", stamp(*c.Interrupted), c.Reason)
		if c.Void() {
			out = append(out, st.row(fmt.Sprintf("Cycle %d", c.Ordinal), text)...)
			continue
		}
		if c.Good != nil {
			verdict := "scrap"
			if *c.Good {
				verdict = "good"
			}
			text += "; found " + verdict
		} else {
			text += "; not decided"
		}
		out = append(out, st.row(fmt.Sprintf("Cycle %d", c.Ordinal), text)...)
	}
	if made > 0 {
		mean := time.Duration(seconds / float64(made) * float64(time.Second))
		out = append(st.row("Cycles", fmt.Sprintf("%d made; printing time %s on average", made, Span(mean))), out...)
	}
	return out
}

func holdText(h client.Hold) string {
	text := fmt.Sprintf("%s, after part %d: %s", stamp(h.Begun), h.AtPart, h.Text)
	switch {
	case h.Ended == nil:
		text += ", still on"
	case h.By != "":
		text += fmt.Sprintf("; ended by %s (%s)", h.By, h.How)
	default:
		text += "; ended (" + h.How + ")"
	}
	if h.Override != "" {
		text += ", overridden: " + h.Override
	}
	return text
}

func checkText(c client.Check) string {
	words := append([]string{fmt.Sprintf("at %s of belt travel", Metres(c.TravelMM))}, CheckPhrases(&c)...)
	if c.Note != "" {
		words = append(words, fmt.Sprintf("%q", c.Note))
	}
	by := ""
	if c.By != "" {
		by = " by " + c.By
	}
	return stamp(c.Stamp) + by + ": " + strings.Join(words, ", ")
}

// CheckPhrases say what was found and done at a visit, its note left out.
func CheckPhrases(c *client.Check) (list []string) {
	say := func(is bool, format string, a ...any) {
		if is {
			list = append(list, fmt.Sprintf(format, a...))
		}
	}
	if c.OffsetMM != nil {
		say(true, "offset %s", Offset(*c.OffsetMM))
	}
	var lengths []string
	for _, mm := range c.LengthsMM[:min(len(c.LengthsMM), mostListed)] {
		lengths = append(lengths, fmt.Sprintf("%.2f", mm))
	}
	more := ""
	if n := len(c.LengthsMM) - mostListed; n > 0 {
		more = fmt.Sprintf(" and %d more", n)
	}
	say(len(lengths) > 0, "measured %s%s mm", strings.Join(lengths, ", "), more)
	say(c.Good > 0, "%d good", c.Good)
	for _, reason := range slices.Sorted(maps.Keys(c.Scrap)) {
		say(c.Scrap[reason] > 0, "%d scrap (%s)", c.Scrap[reason], reason)
	}
	for _, min := range c.DetachedMin {
		say(true, "one came off after %s min", strconv.FormatFloat(min, 'f', -1, 64))
	}
	for _, n := range c.SetAside {
		say(true, "length %d set aside", n)
	}
	say(c.LengthsAccepted, "lengths accepted")
	say(c.Realigned, "belt realigned")
	say(c.BeltCleared, "belt cleared")
	if c.SpoolG != nil {
		say(true, "spool weighed, %.0f g", *c.SpoolG)
	}
	say(c.BinEmptied, "bin emptied")
	say(c.Corrects > 0, "corrects check %d", c.Corrects)
	say(c.CorrectedBy > 0, "superseded by check %d", c.CorrectedBy)
	return list
}

// Offset writes a lateral offset with the sign of its side, and with the minus of typography.
func Offset(mm float64) string {
	switch text := fmt.Sprintf("%.1f", math.Abs(mm)); {
	case text == "0.0":
		return "0.0 mm"
	case mm > 0:
		return "+" + text + " mm"
	default:
		return "−" + text + " mm"
	}
}

func stamp(s client.Stamp) string { return s.At.Local().Format("2006-01-02 15:04:05") }
