package supervisor

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// visit takes in what the operator found and did. Everything wrong with it is
// said at once, and nothing of it is kept then.
func (m *Machine) visit(r Request) error {
	v := r.Visit.counted()
	if wrong := m.wrongVisit(v); len(wrong) > 0 {
		return refuseVisit("record the check", wrong, false)
	}
	at := belt.Reading{TravelMM: m.belt.base.TravelMM, AdvanceMM: m.belt.base.AdvanceMM}
	if v.OffsetMM != nil { // as found, so it tells of the way until here
		at.OffsetMM = *v.OffsetMM
	}
	if odd := m.doubts(v, append(slices.Clone(m.bed.Readings), at)); len(odd) > 0 {
		return refuseVisit("record the check", odd, true)
	}
	c := ledger.Check{ID: m.book.Next.Check, SetAside: v.setAside(), LengthsAccepted: v.AcceptLengths, OffsetMM: v.OffsetMM, LengthsMM: v.LengthsMM, Good: v.Good, Scrap: v.Scrap,
		Realigned: v.Realigned, BeltCleared: v.BeltCleared, SpoolG: v.SpoolG, BinEmptied: v.BinEmptied,
		Note: v.Note, By: r.By, DetachedAfter: v.detachedAfter(), TravelMM: m.belt.base.TravelMM, AdvanceMM: m.belt.base.AdvanceMM}
	if l := m.lot; l != nil {
		k := v.Job
		c.LotID, c.CyclesMade, c.JobIndex = l.ID, l.Made, &k
	}
	m.record(ledger.CheckRecorded{Check: c})
	if v.SeamMM != nil {
		m.record(ledger.SeamSeen{AdvanceMM: m.bed.SeamAtMM(m.belt.position(), *v.SeamMM), By: r.By})
	}
	if v.Surface != "" {
		m.record(ledger.SurfaceRenewed{How: v.Surface, TravelMM: m.belt.base.TravelMM, By: r.By})
	}
	m.did(v, r.By)
	if v.SpoolG != nil {
		m.weighedMM = m.belt.latest.FilamentMM
	}
	if v.Interrupted != "" {
		m.decide(c.ID, v)
	}
	m.visited()
	m.belt.checked(v.Realigned, v.BeltCleared)
	m.record(ledger.BeltMoved{Belt: m.beltInCycle()})
	remarks := ""
	if l := m.lot; l != nil {
		remarks = l.Remarks()
		m.settleLot()
		m.out.Result.LotID = l.ID
		m.out.Result.Text = fmt.Sprintf("check %d recorded; %s", c.ID, l.Total())
	} else {
		m.out.Result.Text = fmt.Sprintf("check %d recorded", c.ID)
	}
	m.out.Result.Text += m.realignText(v) + remarks
	m.out.Result.CheckID = c.ID
	return nil
}

// settleLot closes a lot whose parts were found good, and opens one again whose
// scrap must be made up for.
func (m *Machine) settleLot() {
	switch l := m.lot; l.Status {
	case ledger.LotOpen, ledger.LotMade:
		switch {
		case l.Fulfilled() && l.Wanted() == 0 && !m.running():
			m.setLotStatus(ledger.LotClosed, "all ordered parts are good")
		case l.Wanted() > 0:
			m.setLotStatus(ledger.LotOpen, "scrap has to be replaced")
		}
	}
}

// running reports whether a lot is being worked on.
func (m *Machine) running() bool {
	switch m.state {
	case Starting, Execute, Completing, Holding, Held, Unholding, Suspending, Suspended, Unsuspending:
		return true
	}
	return false
}

// decide settles the interrupted parts by the operator's word.
func (m *Machine) decide(check int64, v *Visit) {
	for _, c := range slices.Clone(m.book.Undecided) {
		m.record(ledger.CycleDecided{Seq: c.Seq, Good: v.Interrupted == "good", CheckID: check, Note: v.Note})
	}
}

// largestOffsetMM is beyond any belt's sideways play: a larger reading is a
// slipped digit or another unit.
const largestOffsetMM = 25

// wrongVisit lists what cannot be so.
func (m *Machine) wrongVisit(v *Visit) []Fault {
	var wrong []Fault
	say := func(field, format string, a ...any) { wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)}) }
	if o := v.OffsetMM; o != nil && !(math.Abs(*o) <= largestOffsetMM) {
		say("offset_mm", "an offset of %g mm is not possible on this belt (at most %d mm either way)", *o, largestOffsetMM)
	}
	for _, l := range v.LengthsMM {
		if !(l > 0) || l > 10000 {
			say("lengths_mm", "a length of %g mm is not possible", l)
		}
	}
	wrong = append(wrong, m.wrongSizeWord(v)...)
	if s := v.SeamMM; s != nil {
		if text := m.wrongSeam(*s); text != "" {
			say("seam_mm", "%s", text)
		}
	}
	if g := v.SpoolG; g != nil && !(*g >= 0 && *g <= 20000) {
		say("spool_g", "a spool of %g g is not possible", *g)
	}
	scrap := 0
	for reason, n := range v.Scrap {
		if reason == "" || n < 0 || n > 1_000_000 {
			say("scrap", "scrap %q=%d is not possible", reason, n)
		}
		scrap += n
	}
	if v.Good < 0 {
		say("good", "%d good parts are not possible", v.Good)
	}
	switch v.Interrupted {
	case "":
	case "good", "scrap":
		if len(m.book.Undecided) == 0 {
			say("interrupted", "no interrupted part is waiting for a decision")
		}
	default:
		say("interrupted", "an interrupted part is good or scrap, not %q", v.Interrupted)
	}
	if v.BeltCleared && m.running() && m.state != Held && m.state != Suspended {
		say("belt_cleared", "the belt cannot be recorded as cleared while the machine is %s", m.state)
	}
	wrong = append(append(wrong, m.wrongSurface(v)...), m.wrongCare(v)...)
	if v.Corrects != 0 {
		return wrong // its counts are judged together with those that it replaces
	}
	return append(wrong, m.wrongCounts(v, scrap)...)
}

// wrongCounts lists claims about more parts than there are.
func (m *Machine) wrongCounts(v *Visit, scrap int) []Fault {
	switch {
	case m.lot == nil && (v.Good != 0 || scrap != 0):
		return []Fault{{"good", "there is no lot to count parts for"}}
	case m.lot == nil:
		return nil
	case v.Job < 0 || v.Job >= len(m.lot.Counts):
		return []Fault{{"job", fmt.Sprintf("the lot has no job %d", v.Job+1)}}
	}
	if j := m.lot.Counts[v.Job]; v.Good+scrap > j.NotLookedAt() {
		return []Fault{{"good", fmt.Sprintf("%d good and %d scrap are more than the %d parts made and not looked at (%d made, %d good, %d scrap before)",
			v.Good, scrap, j.NotLookedAt(), j.Made, j.Good, j.Scrap)}}
	}
	return nil
}

// longestMin bounds how long after its begin a part can come off: a week.
const longestMin = 7 * 24 * 60

// counted returns the visit with the parts that came off among the scrap.
func (v *Visit) counted() *Visit {
	if _, given := v.Scrap[ledger.Detached]; given || len(v.DetachedMin) == 0 {
		return v
	}
	w := *v
	w.Scrap = map[string]int{ledger.Detached: len(v.DetachedMin)}
	maps.Copy(w.Scrap, v.Scrap)
	return &w
}

// detachedAfter is how long after their begin parts came off.
func (v *Visit) detachedAfter() (after []time.Duration) {
	for _, min := range v.DetachedMin {
		after = append(after, time.Duration(min*float64(time.Minute)).Round(time.Millisecond))
	}
	return after
}

// setAside is what the ledger keeps of lengths set aside.
func (v *Visit) setAside() (list []int64) {
	for _, n := range v.SetAside {
		list = append(list, int64(n))
	}
	return list
}

// wrongSizeWord lists what a visit cannot say of lengths measured before.
func (m *Machine) wrongSizeWord(v *Visit) []Fault {
	var wrong []Fault
	say := func(field, format string, a ...any) { wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)}) }
	if len(v.SetAside) == 0 && !v.AcceptLengths {
		return nil
	}
	field := "set_aside"
	if len(v.SetAside) == 0 {
		field = "accept_lengths"
	}
	var chart *quality.Monitor
	if m.lot != nil {
		chart = m.lot.Chart(v.Job)
	}
	if chart == nil {
		say(field, "no length of this job was measured")
		return wrong
	}
	if len(v.LengthsMM) > 0 {
		say("lengths_mm", "record new lengths in a separate check, after setting aside or accepting the earlier ones")
	}
	if strings.TrimSpace(v.Note) == "" {
		say("note", "give the reason in the note when you set lengths aside or accept them")
	}
	trial, err := chart.Copy()
	if err != nil {
		say(field, "%v", err)
		return wrong
	}
	for _, n := range v.SetAside {
		if _, err := trial.SetAside(int64(n)-1, "tried"); err != nil {
			say("set_aside", "%v", err)
		}
	}
	if v.AcceptLengths {
		if err := trial.Accept(); err != nil {
			say("accept_lengths", "%v", err)
		}
	}
	return wrong
}
