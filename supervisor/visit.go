package supervisor

import (
	"fmt"
	"math"
	"slices"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
)

// visit takes in what the operator found and did. Everything wrong with it is
// said at once, and nothing of it is kept then.
func (m *Machine) visit(r Request, out *Output) error {
	v := r.Visit.counted()
	if wrong := m.wrongVisit(v); len(wrong) > 0 {
		return refuseVisit("record the check", wrong, false)
	}
	at := belt.Reading{TravelMM: m.belt.base.TravelMM, AdvanceMM: m.belt.base.AdvanceMM}
	if v.OffsetMM != nil { // as found, so it tells of the way until here
		at.OffsetMM = *v.OffsetMM
	}
	if odd := m.doubts(v, append(slices.Clone(m.rules.drift.readings), at), true); len(odd) > 0 {
		return refuseVisit("record the check", odd, true)
	}
	c := ledger.Check{ID: m.ids.Check, SetAside: v.setAside(), LengthsAccepted: v.AcceptLengths, OffsetMM: v.OffsetMM, LengthsMM: v.LengthsMM, Good: v.Good, Scrap: v.Scrap,
		Realigned: v.Realigned, BeltCleared: v.BeltCleared, SpoolG: v.SpoolG, BinEmptied: v.BinEmptied,
		Note: v.Note, By: r.By, DetachedAfter: v.detachedAfter(), TravelMM: m.belt.base.TravelMM, AdvanceMM: m.belt.base.AdvanceMM}
	m.ids.Check++
	if l := m.lot; l != nil {
		k := v.Job
		c.LotID, c.CyclesMade, c.JobIndex = l.ID, l.made, &k
		j := &l.jobs[k]
		j.good += v.Good
		for _, n := range v.Scrap {
			j.scrap += n
		}
	}
	out.record(ledger.CheckRecorded{Check: c})
	if v.SeamMM != nil {
		m.sawSeam(*v.SeamMM, r.By, out)
	}
	if v.Surface != "" {
		m.renewed(v.Surface, r.By, out)
	}
	m.did(v, r.By, out)
	m.sizeWord(c)
	remarks := m.measured(v.Job, v.LengthsMM)
	if s := m.rescaling.last; s != nil && m.lot != nil && m.belt.base.TravelMM <= s.TravelMM {
		m.sizesAnew() // these parts were made before the belt's scale was set
	}
	m.supplied(v)
	if v.Interrupted != "" {
		m.decide(c.ID, v, out)
	}
	m.rules.restart(m.now, m.belt.base.TravelMM)
	m.visited()
	m.belt.checked(v.Realigned, v.BeltCleared)
	if v.OffsetMM != nil {
		m.rules.accepted = false
		m.rules.drift.read(at)
	}
	if v.Realigned {
		m.rules.accepted = false
		m.rules.drift.realigned(at, m.forecast())
	}
	out.record(ledger.BeltMoved{Belt: m.beltInCycle()})
	if m.hold != nil {
		m.hold.checked = true
	}
	if l := m.lot; l != nil {
		m.settleLot(out)
		t := l.total()
		out.Result.LotID = l.ID
		out.Result.Text = fmt.Sprintf("check %d recorded: %d good, %d scrap, %d not looked at, %d ordered",
			c.ID, t.good, t.scrap+t.torn, t.unverified(), t.ordered)
	} else {
		out.Result.Text = fmt.Sprintf("check %d recorded", c.ID)
	}
	out.Result.Text += m.realignText(v) + remarks
	out.Result.CheckID = c.ID
	return nil
}

// settleLot closes a lot whose parts were found good, and opens one again whose
// scrap must be made up for.
func (m *Machine) settleLot(out *Output) {
	switch l := m.lot; l.Status {
	case ledger.LotOpen, ledger.LotMade:
		switch {
		case l.fulfilled() && l.wanted() == 0 && !m.running():
			m.setLotStatus(out, ledger.LotClosed, "all ordered parts are good")
		case l.wanted() > 0:
			m.setLotStatus(out, ledger.LotOpen, "scrap has to be replaced")
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
func (m *Machine) decide(check int64, v *Visit, out *Output) {
	good := v.Interrupted == "good"
	for _, c := range m.undecided {
		j := &c.lot.jobs[c.job]
		j.interrupted--
		if good {
			c.lot.madeOne(c.job)
			j.good++
		} else {
			j.torn++
		}
		out.record(ledger.CycleDecided{Seq: c.seq, Good: good, CheckID: check, Note: v.Note})
	}
	m.undecided = nil
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
		if len(m.undecided) == 0 {
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
	case v.Job < 0 || v.Job >= len(m.lot.jobs):
		return []Fault{{"job", fmt.Sprintf("the lot has no job %d", v.Job+1)}}
	}
	if j := m.lot.jobs[v.Job]; v.Good+scrap > j.unverified() {
		return []Fault{{"good", fmt.Sprintf("%d good and %d scrap are more than the %d parts made and not looked at (%d made, %d good, %d scrap before)",
			v.Good, scrap, j.unverified(), j.made, j.good, j.scrap)}}
	}
	return nil
}
