package report

import (
	"fmt"
	"slices"
	"strings"

	"beltwarden/daemon/wording"
	tally "beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// interventions lists what people changed of the record or did against advice, in the order of time.
func (s *source) interventions() []Intervention {
	list := []Intervention{}
	byID := map[int64]ledger.Check{}
	for _, c := range s.checks {
		byID[c.ID] = c
		if old, ok := byID[c.Corrects]; ok {
			list = append(list, Intervention{s.at(c.Stamp), "correction", fmt.Sprintf("check %d replaces check %d: %s", c.ID, old.ID, differences(old, c)), c.By, c.Note})
		}
		if len(c.SetAside) > 0 || c.LengthsAccepted {
			what := "lengths accepted that gave a signal"
			if len(c.SetAside) > 0 {
				what = "limits learned without length " + strings.Trim(strings.ReplaceAll(fmt.Sprint(c.SetAside), " ", ", "), "[]")
			}
			list = append(list, Intervention{s.at(c.Stamp), "lengths", what, c.By, c.Note})
		}
	}
	answered := map[string]bool{}
	for _, h := range s.holds {
		if h.Override == "" {
			continue
		}
		at := h.Begun
		if h.Ended.Seq > 0 {
			at = h.Ended
		}
		answered[h.Override] = true
		list = append(list, Intervention{s.at(at), "override", "went on against: " + h.Text, h.By, h.Override})
	}
	for _, e := range s.events {
		if e.Kind == tally.EventOverride && !containsAny(e.Text, answered) {
			list = append(list, Intervention{At: s.at(e.Stamp), Kind: "override", What: e.Text})
		}
	}
	for _, i := range s.interruptions() {
		if i.Decided != nil && i.Found != foundVoid {
			list = append(list, Intervention{*i.Decided, "decision", fmt.Sprintf("interrupted part %d found %s", i.Part, i.Found), i.By, i.Note})
		}
	}
	for _, r := range s.course.Rescaled {
		list = append(list, Intervention{At: s.at(r.Stamp), Kind: "scale", What: fmt.Sprintf("the belt's scale set from %s to %s steps/mm", plain(r.OldStepsPerMM), plain(r.NewStepsPerMM)), By: r.By})
	}
	if s.lot.Status == ledger.LotEnded {
		list = append(list, Intervention{At: s.at(s.lot.Changed), Kind: "end", What: "the lot was given up", Why: s.lot.Reason})
	}
	slices.SortStableFunc(list, func(a, b Intervention) int { return a.At.Compare(b.At) })
	return list
}

func containsAny(text string, parts map[string]bool) bool {
	for p := range parts {
		if strings.Contains(text, p) {
			return true
		}
	}
	return false
}

// differences says what a correction changes.
func differences(old, now ledger.Check) string {
	var list []string
	say := func(is bool, format string, a ...any) {
		if is {
			list = append(list, fmt.Sprintf(format, a...))
		}
	}
	say(old.Good != now.Good, "good %d, not %d", now.Good, old.Good)
	say(total(old.Scrap) != total(now.Scrap), "scrap %d, not %d", total(now.Scrap), total(old.Scrap))
	say(total(old.Scrap) == total(now.Scrap) && fmt.Sprint(old.Scrap) != fmt.Sprint(now.Scrap), "other reasons for scrap")
	say(!slices.Equal(old.LengthsMM, now.LengthsMM), "lengths %s, not %s", lengthsText(now.LengthsMM), lengthsText(old.LengthsMM))
	say(offsetText(old.OffsetMM) != offsetText(now.OffsetMM), "offset %s, not %s", offsetText(now.OffsetMM), offsetText(old.OffsetMM))
	say(old.Realigned != now.Realigned, "%s", map[bool]string{true: "belt realigned", false: "belt not realigned"}[now.Realigned])
	say(gramsText(old.SpoolG) != gramsText(now.SpoolG), "spool %s, not %s", gramsText(now.SpoolG), gramsText(old.SpoolG))
	say(old.BinEmptied != now.BinEmptied, "%s", map[bool]string{true: "bin emptied", false: "bin not emptied"}[now.BinEmptied])
	if len(list) == 0 {
		return "no figure differs"
	}
	return strings.Join(list, "; ")
}

func total(scrap map[string]int) (n int) {
	for _, k := range scrap {
		n += k
	}
	return n
}

func lengthsText(list []float64) string {
	if len(list) == 0 {
		return "none"
	}
	var texts []string
	for _, mm := range list[:min(len(list), maxLengths)] {
		texts = append(texts, decimal(mm, 2))
	}
	if more := len(list) - maxLengths; more > 0 {
		texts = append(texts, fmt.Sprintf("%d more", more))
	}
	return strings.Join(texts, ", ") + " mm"
}

func offsetText(mm *float64) string {
	if mm == nil {
		return "not read"
	}
	return wording.Offset(*mm)
}

func gramsText(g *float64) string {
	if g == nil {
		return "not weighed"
	}
	return decimal(*g, 0) + " g"
}
