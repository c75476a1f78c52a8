package heat

import "time"

// What a warming must lack against the learned law to be reported: so many standard
// deviations of the difference that a healthy machine shows, and so many degrees, in
// this many readings one after the other. A board reports some hundred times in a
// warming; at six deviations chance alone does not speak once in a machine's life.
const (
	behindSD       = 6
	behindC        = 5
	behindReadings = 3
	// A warming that takes times as long as usual, and this much more, is a fault: a
	// sensor half out of its block follows a body that is far hotter than it shows.
	// Common practice, no source.
	slowFactor = 2
	slowSlack  = 20 * time.Second
	// slowFactorRough is the same where a single warming was seen yet.
	slowFactorRough = 3
)

// compare holds a warming against what was learned of this heater, so that a cartridge
// that comes loose or a worn plug is known before it is a fault.
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
