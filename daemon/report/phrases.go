package report

import (
	"fmt"
	"maps"
	"slices"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
)

// Words say what was found and done at a visit, a phrase for each.
func (v Visit) Words() (list []string) {
	say := func(is bool, format string, a ...any) {
		if is {
			list = append(list, fmt.Sprintf(format, a...))
		}
	}
	if v.OffsetMM != nil {
		say(true, "offset %s", offset(*v.OffsetMM))
	}
	if n := len(v.LengthsMM); n > 0 {
		text := ""
		for i, mm := range v.LengthsMM[:min(n, maxLengths)] {
			if i > 0 {
				text += ", "
			}
			text += decimal(mm, 2)
		}
		if n > maxLengths {
			text += fmt.Sprintf(" and %d more", n-maxLengths)
		}
		say(true, "measured %s mm", text)
	}
	say(v.Good > 0, "%d good", v.Good)
	for _, reason := range slices.Sorted(maps.Keys(v.Scrap)) {
		say(v.Scrap[reason] > 0, "%d scrap (%s)", v.Scrap[reason], clean(reason))
	}
	for _, min := range v.DetachedMin {
		say(true, "one came off after %s min", plain(min))
	}
	for _, n := range v.SetAside {
		say(true, "length %d set aside", n)
	}
	say(v.LengthsAccepted, "lengths accepted")
	say(v.Realigned, "belt realigned")
	say(v.BeltCleared, "belt cleared")
	if v.SpoolG != nil {
		say(true, "spool weighed, %s g", decimal(*v.SpoolG, 0))
	}
	say(v.BinEmptied, "bin emptied")
	say(v.Corrects > 0, "corrects check %d", v.Corrects)
	say(v.CorrectedBy > 0, "superseded by check %d", v.CorrectedBy)
	if len(list) == 0 {
		list = []string{"nothing but the visit itself"}
	}
	return list
}

// maxLengths are the lengths of a visit that one line lists; all are in the tables.
const maxLengths = 12

// offset writes a lateral offset with the side it is to.
func offset(mm float64) string {
	text := decimal(mm, 1)
	switch {
	case text == "0.0":
		return "0.0 mm"
	case mm > 0:
		return "+" + text + " mm"
	}
	return "−" + text[1:] + " mm"
}

// Ending says how a hold ended.
func (h Hold) Ending() string {
	if h.Ended == nil {
		return "it lasts"
	}
	text := "ended"
	if h.How != "" {
		text += ": " + clean(h.How)
	}
	if h.By != "" {
		text += ", by " + clean(h.By)
	}
	if h.Override != "" {
		text += "; against advice: " + clean(h.Override)
	}
	return text
}

// timeShare is a kind of time that a lot took.
type timeShare struct {
	name    string
	seconds float64
	means   string
}

// shares are what the time of a lot went to, those that count as losses after the
// one that counts as production.
func (w *Workshop) shares() []timeShare {
	p := &w.Production
	return []timeShare{
		{"making parts", p.ActualProductionS, "cycles of parts that were made, moving off included"},
		{"between parts", p.BetweenS, "in the run with no part in progress: beginning and ending"},
		{"held", p.HeldS, "waiting between parts for a reason of the machine"},
		{"suspended", p.SuspendedS, "waiting for filament, room in the bin, or on request"},
		{"faults", p.FaultsS, "after a fault, with the interrupted parts"},
		{"unattended hours", p.UnattendedS, "outside the attended hours; not planned"},
		{"stopped or idle", p.IdleS, "stopped, idle or complete; not planned"},
		{"part in progress", p.InWorkS, "the part that is not made yet"},
	}
}

// figure is a production figure with what it means.
type figure struct {
	Name, Value, Means string
}

// figures list the production figures by the names of ISO 22400-2.
func figures(p *supervisor.Production) []figure {
	f := p.Figures
	if f == nil {
		return nil
	}
	return []figure{
		{"Availability", percent(f.Availability), "of the time planned to be busy, what went into making parts"},
		{"Effectiveness", percent(f.Effectiveness), "planned time of the parts made, to the time that making them took; above 100\u00a0% the plan was too long"},
		{"Quality ratio", percent(f.QualityRatio), "good parts of those made; parts not looked at are not counted good"},
		{"OEE", percent(f.OEE), "overall equipment effectiveness: the product of the three"},
	}
}

// figureNotes say what to think of the figures.
func figureNotes(p *supervisor.Production) (list []string) {
	if m := p.Most; m != nil {
		list = append(list, fmt.Sprintf("%s not looked at, and not counted good. Were all good: quality ratio %s, OEE %s.", wording.Count(p.Unverified, "part"), percent(m.QualityRatio), percent(m.OEE)))
	}
	if p.Figures != nil && !p.PlannedWaits {
		list = append(list, "The planned time of a part leaves out heating or cooling, which was not known when the lot was opened; so effectiveness is too low.")
	}
	return list
}
