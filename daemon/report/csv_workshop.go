package report

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// rows of what only the workshop may see: sums first, then the history.
func (w *Workshop) rows() (list []row) {
	add := func(section, name string, line row) {
		line["section"], line["name"] = section, name
		list = append(list, line)
	}
	if w.Machine != "" {
		add("machine", cell(w.Machine), row{})
	}
	add("lot", "order", row{"text": w.Order, "note": cell(w.Reason)})
	for _, c := range []struct {
		name string
		n    int
	}{{"begun", w.Begun}, {"made", w.Made}, {"scrap", w.Scrap}, {"not looked at", w.Unverified}, {"interrupted, not decided", w.Undecided},
		{"interrupted, found good", w.InterruptedGood}, {"interrupted, found scrap", w.InterruptedScrap}, {"visits", w.VisitTimes}} {
		add("count", c.name, row{"parts": whole(c.n)})
	}
	for _, reason := range slices.Sorted(maps.Keys(w.ScrapByReason)) {
		add("scrap", cell(reason), row{"parts": whole(w.ScrapByReason[reason])})
	}
	if y := w.Yield; y != nil {
		add("yield", "fraction good of those looked at", row{"ratio": number(y.Fraction), "parts": whole(y.Seen)})
		add("yield", "lower end of 95 %", row{"ratio": number(y.Low)})
		add("yield", "upper end of 95 %", row{"ratio": number(y.High)})
	}
	list = append(list, w.Cycle.rows("cycle", "duration_s", "")...)
	for _, t := range w.shares() {
		add("time", t.name, row{"duration_s": number(t.seconds)})
	}
	add("time", "planned busy time", row{"duration_s": number(w.Production.PlannedBusyS)})
	add("time", "no daemon ran, by the wall clock", row{"duration_s": number(w.Production.UnseenS)})
	if f := w.Production.Figures; f != nil {
		add("figure", "availability", row{"ratio": number(f.Availability)})
		add("figure", "effectiveness", row{"ratio": number(f.Effectiveness)})
		add("figure", "quality ratio", row{"ratio": number(f.QualityRatio)})
		add("figure", "OEE", row{"ratio": number(f.OEE)})
	} else {
		add("figure", "none", row{"text": cell(w.Production.Why)})
	}
	b := &w.Belt
	add("belt", "travel", row{"travel_mm": number(b.TravelMM)})
	add("belt", "travel in parts", row{"travel_mm": number(b.PartsMM)})
	add("belt", "travel for each good part", row{"travel_mm": optional(b.PerGoodMM)})
	add("belt", "uncertain travel", row{"travel_mm": number(b.UncertainMM)})
	if b.LimitMM > 0 {
		add("belt", "offset limit to either side", row{"offset_mm": number(b.LimitMM)})
	}
	for _, o := range b.Offsets {
		name := "reading"
		if o.Realigned {
			name = "realigned after it"
		}
		add("offset", name, row{"number": strconv.FormatInt(o.Visit, 10), "at": instant(o.At), "travel_mm": number(o.TravelMM), "offset_mm": optional(o.OffsetMM)})
	}
	for _, s := range b.Rescaled {
		add("scale", "belt scale set", row{"at": instant(s.At), "travel_mm": number(s.TravelMM), "text": fmt.Sprintf("%s to %s steps/mm", plain(s.From), plain(s.To))})
	}
	f := &w.Filament
	add("filament", "parts made", row{"filament_mm": number(f.TotalMM), "mass_g": optional(f.TotalG)})
	add("filament", "of it by the job files", row{"filament_mm": number(f.FilesMM)})
	add("filament", "at most, with interrupted parts", row{"filament_mm": number(f.AtMostMM), "mass_g": optional(f.AtMostG)})
	add("filament", "for each good part", row{"filament_mm": optional(f.PerGoodMM), "mass_g": optional(f.PerGoodG)})
	list = append(list, w.Cost.rows()...)
	return append(list, w.historyRows()...)
}

func (c *Cost) rows() (list []row) {
	currency := cell(c.Currency)
	for _, l := range c.Lines {
		list = append(list, row{"section": "cost", "name": l.Name, "amount": number(l.Amount), "currency": currency,
			"text": fmt.Sprintf("%s %s at %s", plain(l.Quantity), l.Unit, plain(l.Rate)), "note": l.Basis})
	}
	if c.Total != nil {
		list = append(list, row{"section": "cost", "name": "total", "amount": number(*c.Total), "currency": currency},
			row{"section": "cost", "name": "for each good part", "amount": optional(c.PerGood), "currency": currency})
	}
	for _, why := range c.LeftOut {
		list = append(list, row{"section": "cost", "name": "left out", "text": cell(why)})
	}
	return list
}

// historyRows are the lists in the order of the ledger.
func (w *Workshop) historyRows() (list []row) {
	add := func(section, name string, line row) {
		line["section"], line["name"] = section, name
		list = append(list, line)
	}
	for _, v := range w.Visits {
		scrap := 0
		for _, n := range v.Scrap {
			scrap += n
		}
		line := row{"number": strconv.FormatInt(v.ID, 10), "at": instant(v.At), "by": cell(v.By), "travel_mm": number(v.TravelMM),
			"offset_mm": optional(v.OffsetMM), "mass_g": optional(v.SpoolG), "good": whole(v.Good), "scrap": whole(scrap), "parts": whole(v.Made),
			"text": cell(strings.Join(v.Words(), "; ")), "note": cell(v.Note)}
		if v.Job > 0 {
			line["job"] = whole(v.Job)
		}
		name := "counts"
		if v.CorrectedBy > 0 {
			name = "corrected, no longer counts"
		}
		add("visit", name, line)
	}
	for _, h := range w.Holds {
		add("hold", cell(h.Reason), row{"number": strconv.FormatInt(h.ID, 10), "at": instant(h.Begun), "until": instantOr(h.Ended), "duration_s": number(h.LengthS),
			"parts": whole(h.AtPart), "travel_mm": number(h.TravelMM), "by": cell(h.By), "text": cell(h.State + ": " + h.Text), "note": cell(h.Ending())})
	}
	for _, i := range w.Interruptions {
		found := i.Found
		if found == "" {
			found = "not decided"
		}
		add("interruption", found, row{"number": whole(i.Part), "job": whole(i.Job), "at": instant(i.At), "until": instantOr(i.Decided),
			"by": cell(i.By), "text": cell(i.Reason), "note": cell(i.Note)})
	}
	for _, v := range w.Interventions {
		add("altered", v.Kind, row{"at": instant(v.At), "by": cell(v.By), "text": cell(v.What), "note": cell(v.Why)})
	}
	for _, a := range w.Alterations {
		add("alteration", a.Kind, row{"number": whole(a.Line), "job": whole(a.Job), "text": cell(a.Text), "note": cell(a.Why)})
	}
	for _, p := range w.Parts {
		state := p.State
		if p.Good != nil {
			state = map[bool]string{true: "decided good", false: "decided scrap"}[*p.Good]
		}
		add("part", state, row{"number": whole(p.Number), "job": whole(p.Job), "at": instant(p.Begun), "duration_s": optional(p.CycleS),
			"travel_mm": optional(p.TravelMM), "filament_mm": optional(p.FilamentMM), "note": cell(p.Evidence)})
	}
	for _, e := range w.Events {
		add("event", cell(e.Kind), row{"at": instant(e.At), "text": cell(e.Text)})
	}
	return list
}
