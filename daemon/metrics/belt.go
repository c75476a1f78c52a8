package metrics

import (
	"math"
	"sync"

	"github.com/prometheus/client_golang/prometheus"

	"beltwarden/supervisor"
	"beltwarden/supervisor/belt"
)

// belt sends where the belt is and what is known of it.
func (c *Collector) belt(out emitter, b *supervisor.BeltView) {
	out.counter(beltTravel, metres(b.TravelMM))
	if b.CalibratedMM != nil {
		out.counter(beltCalibrated, metres(*b.CalibratedMM))
	}
	out.gauge(beltAdvance, metres(b.AdvanceMM))
	out.gauge(beltRealign, metres(b.SinceRealignMM))
	out.gauge(beltCheck, metres(b.SinceCheckMM))
	out.gauge(beltUncertain, metres(b.UncertainMM))
	out.gauge(beltClear, boolValue(b.Clear))
	out.gaugeIf(beltOffset, b.OffsetMM, mm)
	out.gauge(beltWorst, metres(b.WorstOffsetMM))
	out.gauge(beltLimit, metres(b.OffsetLimitMM))
	if b.LoopMM > 0 {
		out.gauge(loop, metres(b.LoopMM))
	}
	if b.SeamAheadMM != nil {
		out.gauge(seamAhead, metres(*b.SeamAheadMM))
		out.gauge(seamDoubt, metres(b.SeamDoubtMM))
	}
	if s := b.Surface; s != nil {
		out.gauge(surfaceTravel, metres(s.TravelMM))
		out.timestamp(surfaceAt, s.At)
	}
	out.counter(filamentMeters, metres(c.filament.update(b.FilamentMM)))
}

// drift sends what is forecast of the lateral offset.
func drift(out emitter, f *belt.Forecast) {
	out.gauge(driftReadings, float64(f.N))
	out.gauge(driftFlagged, float64(len(f.Flagged)))
	out.gauge(driftMeasured, boolValue(f.Basis == belt.OnReadings))
	out.gaugeIf(driftOffset, f.OffsetMM, mm)
	if m := f.Offset95MM; m != nil {
		out.gauge(driftLow, metres(m[0]))
		out.gauge(driftHigh, metres(m[1]))
	}
	out.gaugeIf(driftRate, f.RateMMPerM, mm)
	if r := f.Rate95MMPerM; r != nil {
		out.gauge(driftRateLow, metres(r[0]))
		out.gauge(driftRateHigh, metres(r[1]))
	}
	out.gaugeIf(driftToLimit, f.TravelToLimitMM, mm)
	// Without a limit there is nothing to run towards.
	for d, v := range map[*prometheus.Desc]float64{driftLower: f.TravelToLimitLower95MM, driftHold: f.HoldMM} {
		if !math.IsInf(v, 0) && !math.IsNaN(v) {
			out.gauge(d, metres(v))
		}
	}
}

// trial sends how far a trial of the alignment has come.
func trial(out emitter, t *supervisor.TrialView) {
	out.gauge(trialOpen, boolValue(t != nil))
	out.gauge(trialReading, boolValue(t != nil && t.Ran))
	if t != nil {
		out.gauge(trialRun, metres(t.RunMM))
		out.gauge(trialDone, metres(t.DoneMM))
	}
}

// highWater makes a counter of the net filament, which falls a little whenever
// some is drawn back: to a reader of counters that would be a reset.
type highWater struct {
	mu   sync.Mutex
	high float64
}

func (h *highWater) update(v float64) float64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.high = max(h.high, v)
	return h.high
}
