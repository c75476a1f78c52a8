package heat

import "time"

// How far a warming must be behind the learned law to be reported: in standard deviations of the
// difference that a healthy machine shows, in degrees, and in readings in a row. A board reports
// about a hundred times in a warming; at six deviations chance alone does not do that once in a
// machine's life.
const (
	behindSD       = 6
	behindC        = 5
	behindReadings = 3
	// A warming that takes slowFactor times as long as usual, plus slowSlack, is a fault: a sensor
	// half out of its block follows a body that is far hotter than it shows. Common practice, no
	// source.
	slowFactor = 2
	slowSlack  = 20 * time.Second
	// slowFactorRough replaces slowFactor where only one warming was seen.
	slowFactorRough = 3
)

// compare compares a warming with what was learned of this heater, so that a loose cartridge or a
// worn plug is noticed before it becomes a fault.
func (w *Watch) compare(r Reading, m *Model, add func(Kind, bool, string, ...any)) {
	if r.C >= r.TargetC-max(w.lim.NearC, mostNearC) {
		return
	}
	if !w.started {
		if r.C >= w.fromC+lagC { // the sensor has begun to follow
			w.start, w.started = r, true
		}
		return
	}
	d := r.At - w.start.At
	most := time.Duration(slowFactor)
	usual, ok := m.heatUp(w.start.C, r.C, EnoughSpans)
	if !ok {
		most = slowFactorRough
		usual, ok = m.heatUp(w.start.C, r.C, 1)
	}
	if ok && r.C > w.start.C+behindC && d > most*usual+slowSlack {
		add(Slow, true, "took %s from %.0f to %.0f °C, which usually takes %s: the heater, the sensor or a wire is broken or loose"+OrNoMains, durationText(d), w.start.C, r.C, durationText(usual))
	}
	by, known := m.Deviation(Full, w.start.C, d, r.C)
	mean, _, _ := m.Expect(Full, w.start.C, d)
	if !known || by > -behindSD || r.C > mean-behindC {
		w.behindInARow = 0
		return
	}
	if w.behindInARow++; w.behindInARow >= behindReadings {
		add(Drifted, false, "heats slower than before: %.0f °C instead of %.0f %s after %.0f; check its cartridge, plug and insulation", r.C, mean, durationText(d), w.start.C)
	}
}
