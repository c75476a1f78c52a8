package report

import (
	"fmt"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
)

// Words say what was found and done at a visit, a phrase for each.
func (v Visit) Words() []string {
	list := wording.CheckPhrases(&client.Check{OffsetMM: v.OffsetMM, LengthsMM: v.LengthsMM, Good: v.Good, Scrap: v.Scrap, DetachedMin: v.DetachedMin,
		SetAside: v.SetAside, LengthsAccepted: v.LengthsAccepted, Realigned: v.Realigned, BeltCleared: v.BeltCleared, SpoolG: v.SpoolG,
		BinEmptied: v.BinEmptied, Corrects: v.Corrects, CorrectedBy: v.CorrectedBy})
	for i := range list {
		list[i] = clean(list[i])
	}
	if len(list) == 0 {
		list = []string{"nothing but the visit itself"}
	}
	return list
}

// maxLengths are the lengths of a visit that one line lists; all are in the tables.
const maxLengths = 12

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
