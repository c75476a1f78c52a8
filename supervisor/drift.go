package supervisor

import (
	"fmt"
	"math"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
)

// drift is what is known of the belt's sideways way since it was realigned.
type drift struct {
	readings []belt.Reading // since then, in order of travel
	from     belt.Reading   // travel and advance at the realignment
	scatter  belt.Scatter   // learned from the alignments before; zero: nothing

	cached belt.Forecast
	key    driftKey
}

// driftKey is what a forecast was made from.
type driftKey struct {
	readings int
	at       belt.Reading
	ratio    float64
	valid    bool
}

// read takes up a reading.
func (d *drift) read(r belt.Reading) {
	d.readings = append(d.readings, r)
	d.key.valid = false
}

// realigned begins anew, and keeps what was learned of the scatter.
func (d *drift) realigned(at belt.Reading, f belt.Forecast) {
	*d = drift{from: at, scatter: d.scatter}
	if f.Basis == belt.OnReadings && f.N > 2 {
		d.scatter = f.Scatter.Lasting()
	}
}

// learnScatter goes through the alignments of all checks in force, and returns what the
// ended ones have taught of the scatter: what a run without restart would have learned.
func (m *Machine) learnScatter(checks []ledger.Check) belt.Scatter {
	d := drift{}
	for _, c := range checks {
		at := belt.Reading{TravelMM: c.TravelMM, AdvanceMM: c.AdvanceMM}
		if c.OffsetMM != nil {
			at.OffsetMM = *c.OffsetMM
			d.read(at)
		}
		if c.Realigned {
			o := m.outlook(0)
			o.Scatter = d.scatter
			d.realigned(at, o.Forecast(d.readings, at))
		}
	}
	return d.scatter
}

// newest is the latest reading since the realignment.
func (d *drift) newest() *belt.Reading {
	if len(d.readings) == 0 {
		return nil
	}
	return &d.readings[len(d.readings)-1]
}

// forecast judges the belt as it stands, for what the lot runs next. It is made anew
// only when something has changed that it rests on.
func (m *Machine) forecast() belt.Forecast {
	d := &m.rules.drift
	b := m.belt.base
	key := driftKey{len(d.readings), belt.Reading{TravelMM: b.TravelMM, AdvanceMM: b.AdvanceMM}, m.advancePerTravel(), true}
	if key == d.key {
		return d.cached
	}
	d.cached, d.key = m.outlook(key.ratio).Forecast(d.readings, key.at), key
	return d.cached
}

// outlook is what a forecast is for, with advancePerTravel of what runs next.
func (m *Machine) outlook(advancePerTravel float64) belt.Outlook {
	d := &m.rules.drift
	return belt.Outlook{LimitMM: m.set.OffsetLimitMM, WorstMMPerM: m.set.WorstDrift, Certainty: m.set.HoldCertainty,
		AdvancePerTravel: advancePerTravel, Scatter: d.scatter, LoopMM: m.set.LoopMM, RealignedAtMM: d.from.TravelMM}
}

// advancePerTravel is what the next parts advance for each millimetre they run; 0 when
// no lot says so.
func (m *Machine) advancePerTravel() float64 {
	per := m.nextTravelMM()
	if m.lot == nil || per <= 0 {
		return 0
	}
	if k := m.lot.next(); k >= 0 && m.lot.plans[k] != nil {
		return m.set.Forward * m.lot.plans[k].PitchMM / per
	}
	return 0
}

// driftText says in words what the forecast rests on and says.
func (m *Machine) driftText(f belt.Forecast) string {
	text := ""
	switch {
	case f.OffsetMM == nil:
		text = fmt.Sprintf("no offset was read since the realignment; at %g mm/m at worst", m.set.WorstDrift)
	case f.RateMMPerM == nil || f.Basis == belt.OnWorstRate:
		text = fmt.Sprintf("the belt stood %+.1f mm off and may drift %g mm/m", *f.OffsetMM, m.set.WorstDrift)
	case f.Rate95MMPerM == nil:
		text = fmt.Sprintf("the belt stands %+.1f mm off and goes with %+.3f mm/m, by two readings", *f.OffsetMM, *f.RateMMPerM)
	default:
		text = fmt.Sprintf("the belt stands %+.1f mm off and goes with %+.3f mm/m (95 %%: %+.3f to %+.3f)", *f.OffsetMM, *f.RateMMPerM, f.Rate95MMPerM[0], f.Rate95MMPerM[1])
	}
	if f.HoldMM > 1e6 {
		return text + fmt.Sprintf("; the limit of %.1f mm is far", m.set.OffsetLimitMM)
	}
	return text + fmt.Sprintf("; it may reach the limit of %.1f mm after %.1f m more", m.set.OffsetLimitMM, f.HoldMM/1000)
}

// realignText advises to realign while the operator is at the machine anyway: beyond half
// the limit, where further visits would come ever closer together.
func (m *Machine) realignText(v *Visit) string {
	if v.Realigned || v.OffsetMM == nil || m.set.OffsetLimitMM <= 0 || math.Abs(*v.OffsetMM) <= m.set.OffsetLimitMM/2 {
		return ""
	}
	next := "no part may begin before"
	if f := m.forecast(); f.HoldMM >= 1000 {
		next = fmt.Sprintf("the next visit would come after %.1f m", f.HoldMM/1000)
	}
	return "; realign the belt while you are there and record it: it stands beyond half its limit, and " + next
}
