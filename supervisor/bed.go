package supervisor

import (
	"fmt"
	"math"
	"slices"
	"time"

	"beltwarden/supervisor/bed"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// SurfaceView is the belt's surface since it was last renewed.
type SurfaceView struct {
	How      string    `json:"how"` // cleaned or taped
	At       time.Time `json:"at"`
	TravelMM float64   `json:"travel_mm"` // belt travel since
}

// surfaceRenewals are the ways to renew a belt's surface.
var surfaceRenewals = []string{"cleaned", "taped"}

// surfaceView returns the surface for the snapshot.
func (m *Machine) surfaceView() *SurfaceView {
	s := m.bed.Surface
	if s == nil {
		return nil
	}
	return &SurfaceView{How: s.How, At: s.Stamp.At, TravelMM: math.Max(0, m.belt.base.TravelMM-s.TravelMM)}
}

// forecast judges the belt at its present position, for what the lot runs next.
func (m *Machine) forecast() belt.Forecast {
	return m.bed.Forecast(m.belt.position(), m.advancePerTravel())
}

// offsetAccepted reports whether the belt is beyond its limit and the operator continues with a
// reason.
func (m *Machine) offsetAccepted() bool {
	_, check := m.bed.Newest()
	return m.bed.Beyond() && m.book.Overridden(check)
}

// advancePerTravel is what the next parts advance per millimetre of travel; 0 when no lot determines
// it.
func (m *Machine) advancePerTravel() float64 {
	per := m.nextTravelMM()
	if m.lot == nil || per <= 0 {
		return 0
	}
	if k := m.lot.Next(); k >= 0 && m.lot.plans[k] != nil {
		return m.set.Forward * m.lot.plans[k].PitchMM / per
	}
	return 0
}

// driftText describes the forecast and its basis to a person.
func (m *Machine) driftText(f belt.Forecast) string {
	text := ""
	switch {
	case f.OffsetMM == nil:
		text = fmt.Sprintf("no offset was read since the realignment; at %g mm/m at worst", m.set.WorstDriftMMPerM)
	case f.RateMMPerM == nil || f.Basis == belt.OnWorstRate:
		text = fmt.Sprintf("the belt was %+.1f mm off and may drift %g mm/m", *f.OffsetMM, m.set.WorstDriftMMPerM)
	case f.Rate95MMPerM == nil:
		text = fmt.Sprintf("the belt is %+.1f mm off and drifts %+.3f mm/m, by two readings", *f.OffsetMM, *f.RateMMPerM)
	default:
		text = fmt.Sprintf("the belt is %+.1f mm off and drifts %+.3f mm/m (95 %%: %+.3f to %+.3f)", *f.OffsetMM, *f.RateMMPerM, f.Rate95MMPerM[0], f.Rate95MMPerM[1])
	}
	if f.HoldMM > 1e6 {
		return text + fmt.Sprintf("; the limit of %.1f mm is far", m.set.OffsetLimitMM)
	}
	return text + fmt.Sprintf("; it may reach the limit of %.1f mm after %.1f m more", m.set.OffsetLimitMM, f.HoldMM/1000)
}

// realignText advises realigning while the operator is at the machine anyway: beyond half the limit,
// further visits would follow at ever shorter intervals.
func (m *Machine) realignText(v *Visit) string {
	if v.Realigned || v.OffsetMM == nil || m.set.OffsetLimitMM <= 0 || math.Abs(*v.OffsetMM) <= m.set.OffsetLimitMM/2 {
		return ""
	}
	next := "no part may begin before"
	if f := m.forecast(); f.HoldMM >= 1000 {
		next = fmt.Sprintf("the next visit would come after %.1f m", f.HoldMM/1000)
	}
	return "; realign the belt while you are there and record it: it is beyond half its limit, and " + next
}

// seamFault refuses a position that no seam can have.
func (m *Machine) seamFault(aheadMM float64) string {
	switch {
	case m.set.LoopMM <= 0:
		return "the seam's position is used only if belt.loop_length_mm is configured"
	case !(math.Abs(aheadMM) <= m.set.LoopMM):
		return fmt.Sprintf("the seam cannot be %g mm from the nozzle on a belt of %g mm", aheadMM, m.set.LoopMM)
	}
	return ""
}

// surfaceFaults lists impossible claims about the surface and the parts that came off it.
func (m *Machine) surfaceFaults(v *Visit) []Fault {
	var wrong []Fault
	say := func(is bool, field, format string, a ...any) {
		if is {
			wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)})
		}
	}
	for _, min := range v.DetachedMin {
		say(!(min >= 0.01 && min <= longestMin), "detached_min", "a part cannot come off %g minutes after it began", min)
	}
	say(len(v.DetachedMin) > v.Scrap[ledger.Detached], "detached_min", "%d parts have a time at which they came off, but %d are counted as %s",
		len(v.DetachedMin), v.Scrap[ledger.Detached], ledger.Detached)
	say(v.Surface != "" && !slices.Contains(surfaceRenewals, v.Surface), "surface", "a new surface is one of %q, not %q", surfaceRenewals, v.Surface)
	say(v.Surface != "" && m.running() && m.state != Held && m.state != Suspended, "surface", "the surface cannot be recorded as new while the machine is %s", m.state)
	return wrong
}

// spanOf is a part's footprint, relative to the nozzle's position at the beginning.
func spanOf(p *job.Plan) belt.Span {
	return belt.Span{FromMM: p.Placing.FootprintMM[0], ToMM: p.Placing.FootprintMM[1]}
}

// recordInterrupted notes where an interrupted part lies, as far as is known: the board may have stopped short of it.
func (m *Machine) recordInterrupted(c *cycle) {
	if p := c.lot.plans[c.job]; p != nil && c.placed {
		s := spanOf(p)
		m.record(ledger.PartLaid{Seq: c.seq, FromMM: c.originMM + s.FromMM, ToMM: c.originMM + s.ToMM})
		m.bed.SetSides(p.ExtentMM.X)
	}
}

// recordLaid notes where a finished part lies: the body began its net advance ago.
func (m *Machine) recordLaid(c *cycle) {
	p := c.lot.plans[c.job]
	if p == nil {
		return
	}
	origin, s := m.belt.base.AdvanceMM-p.BeltAdvanceMM, spanOf(p)
	m.record(ledger.PartLaid{Seq: c.seq, FromMM: origin + s.FromMM, ToMM: origin + s.ToMM})
	m.bed.SetSides(p.ExtentMM.X)
}

// wearShiftMM is how much further the belt advances before the first part of a run, after advanceMM more,
// so that its parts lie where the fewest have lain. A pitch that divides the loop would otherwise lay
// every part on the same places.
func (m *Machine) wearShiftMM(c *cycle, p *job.Plan, advanceMM float64) float64 {
	w := m.bed.Wear
	if w == nil || !c.firstOfRun {
		return 0
	}
	return w.ShiftMM(m.belt.base.AdvanceMM+advanceMM, spanOf(p), p.PitchMM, c.lot.Wanted())
}

// partsOnBelt returns where the parts on the belt are, first made first, and the one in progress last.
func (m *Machine) partsOnBelt() []bed.Place {
	list := m.bed.Parts(m.belt.position())
	for i := range list {
		list[i].Interrupted = slices.ContainsFunc(m.book.Undecided, func(c book.Cycle) bool { return c.Seq == list[i].Cycle })
	}
	if c := m.cycle; c != nil && !c.made && c.placed {
		if p := c.lot.plans[c.job]; p != nil {
			s := spanOf(p)
			v := bed.PlaceOf(m.belt.position(), book.Cycle{Seq: c.seq, LotID: c.lot.ID, Ordinal: c.ordinal}, c.originMM+s.FromMM, c.originMM+s.ToMM, p.ExtentMM.X)
			v.Making = true
			list = append(list, v)
		}
	}
	return list
}

// nextPlace returns where the next part of the lot will lie, nil where that is not known: a pitch behind
// the part in progress, or at the nozzle. The seam, or a place that has borne less, may take it further.
func (m *Machine) nextPlace() *bed.Place {
	if m.lot == nil || !ledger.Unfinished(m.lot.Status) {
		return nil
	}
	k := m.lot.Next()
	if k < 0 || m.lot.plans[k] == nil {
		return nil
	}
	p := m.lot.plans[k]
	s, origin := spanOf(p), m.belt.position().AdvanceMM
	if c := m.cycle; c != nil {
		before := c.lot.plans[c.job]
		if before == nil || !c.placed {
			return nil
		}
		origin = c.originMM + before.PitchMM
	}
	v := bed.PlaceOf(m.belt.position(), book.Cycle{LotID: m.lot.ID}, origin+s.FromMM, origin+s.ToMM, p.ExtentMM.X)
	return &v
}
