package supervisor

import (
	"fmt"
	"strings"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// correct takes a check in the place of an earlier one. What was found and done is that of
// the correction; where the belt stood and what was made by then is that of the visit.
func (m *Machine) correct(r Request) error {
	const what = "correct the check"
	v := r.Visit.counted()
	old, by, ok := m.book.Check(v.Corrects)
	switch {
	case by != 0:
		return &Refusal{What: what, Why: fmt.Sprintf("check %d has already been corrected by check %d", v.Corrects, by), Remedy: fmt.Sprintf("correct check %d", by)}
	case !ok:
		return &Refusal{What: what, Why: fmt.Sprintf("there is no check %d", v.Corrects), Remedy: "see the checks of the lot", Command: "beltwarden lot show ID"}
	}
	if wrong := append(m.wrongVisit(v), m.wrongCorrection(v, old)...); len(wrong) > 0 {
		return refuseVisit(what, wrong, false)
	}
	c := old
	c.ID, c.Corrects, c.Stamp, c.By, c.Note = m.book.Next.Check, old.ID, ledger.Stamp{}, r.By, v.Note
	c.OffsetMM, c.LengthsMM, c.Good, c.Scrap = v.OffsetMM, v.LengthsMM, v.Good, v.Scrap
	c.DetachedAfter = v.detachedAfter()
	c.Realigned, c.SpoolG, c.BinEmptied = v.Realigned, v.SpoolG, v.BinEmptied
	if c.LotID != 0 {
		k := v.Job
		c.JobIndex = &k
	}
	if odd := m.doubts(v, m.readingsWith(c)); len(odd) > 0 {
		return refuseVisit(what, odd, true)
	}
	m.record(ledger.CheckRecorded{Check: c})
	m.belt.base.SinceRealignMM = m.belt.base.TravelMM - m.bed.From.TravelMM
	m.record(ledger.BeltMoved{Belt: m.beltInCycle()})
	m.out.Result.CheckID, m.out.Result.LotID = c.ID, c.LotID
	m.out.Result.Text = fmt.Sprintf("check %d replaces all of check %d: now %s; before %s", c.ID, old.ID, found(c), found(old))
	if m.lot != nil && m.lot.ID == c.LotID {
		m.settleLot()
		m.out.Result.Text += fmt.Sprintf("; lot %d is %s, %s", m.lot.ID, m.lot.Status, m.lot.Total())
	}
	m.note("correction", m.out.Result.Text)
	return nil
}

// readingsWith are the offsets since the realignment with a correction in its place, where its own is the newest of
// them; else nil.
func (m *Machine) readingsWith(c ledger.Check) (readings []belt.Reading) {
	newest := false
	for old := range m.book.Checks() {
		if newest = newest && old.OffsetMM == nil && !old.Realigned; old.ID == c.Corrects {
			old, newest = c, c.OffsetMM != nil && !c.Realigned
		}
		switch {
		case old.Realigned: // its own offset was read before, and tells of the way until there
			readings = nil
		case old.OffsetMM != nil:
			readings = append(readings, reading(old.TravelMM, old.AdvanceMM, *old.OffsetMM))
		}
	}
	if !newest {
		return nil
	}
	return readings
}

// wrongCorrection lists what a correction cannot say.
func (m *Machine) wrongCorrection(v *Visit, old ledger.Check) []Fault {
	var wrong []Fault
	say := func(is bool, field, format string, a ...any) {
		if is {
			wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)})
		}
	}
	say(v.Interrupted != "", "interrupted", "a correction cannot change the decision on an interrupted part")
	say(v.SeamMM != nil, "seam_mm", "record the seam in a new check")
	say(len(v.SetAside) > 0 || v.AcceptLengths, "set_aside", "record lengths set aside or accepted in a new check")
	say(len(v.Did) > 0, "did", "record care in a new check")
	say(v.Surface != "", "surface", "record a new surface in a new check")
	say(v.BeltCleared && !old.BeltCleared, "belt_cleared", "record a cleared belt in a new check, when you clear it")
	scrap := book.Sum(v.Scrap)
	if old.LotID == 0 {
		say(v.Good != 0 || scrap != 0, "good", "check %d belongs to no lot, so there are no parts to count", old.ID)
		return wrong
	}
	left, ok := m.book.Left(old, v.Job)
	if !ok {
		say(true, "job", "lot %d has no job %d", old.LotID, v.Job+1)
		return wrong
	}
	say(v.Good+scrap > left, "good", "%d good and %d scrap are more than the %d parts made and not counted by other checks", v.Good, scrap, left)
	return wrong
}

// found says in words what a check reports.
func found(c ledger.Check) string {
	words := []string{fmt.Sprintf("%d good", c.Good), fmt.Sprintf("%d scrap", book.Sum(c.Scrap))}
	if c.OffsetMM != nil {
		words = append(words, fmt.Sprintf("offset %+.2f mm", *c.OffsetMM))
	}
	for _, mm := range c.LengthsMM {
		words = append(words, fmt.Sprintf("length %.2f mm", mm))
	}
	if c.Realigned {
		words = append(words, "realigned")
	}
	if c.SpoolG != nil {
		words = append(words, fmt.Sprintf("spool %.0f g", *c.SpoolG))
	}
	if c.BinEmptied {
		words = append(words, "bin emptied")
	}
	return strings.Join(words, ", ")
}
