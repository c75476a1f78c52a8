package metrics

import (
	"slices"
	"strings"
	"sync"

	"beltwarden/supervisor"
)

// reasons are the codes that a hold or a fault can have; any other is "other".
var reasons = []string{
	supervisor.CauseOperator, supervisor.CauseCheckParts, supervisor.CauseCheckTravel, supervisor.CauseCheckTime,
	supervisor.CauseOffset, supervisor.CauseSize, supervisor.CauseFilament, supervisor.CauseBin, supervisor.CauseUnattended, supervisor.CauseLink, supervisor.CauseBoard, supervisor.CauseHeat, supervisor.CauseLedger,
	supervisor.CauseJob, supervisor.CauseRestart, supervisor.CauseShutdown, "other",
}

// state tells the state, and why the machine waits or has aborted.
func (c *Collector) state(out emitter, s *supervisor.Snapshot) {
	for _, state := range supervisor.States() {
		out.gauge(stateSet, truth(state == s.State), strings.ToLower(state.String()))
	}
	out.gauge(stateSince, seconds(s.Since))
	why := s.Cause.Code
	if !slices.Contains(reasons, why) {
		why = "other"
	}
	held, fault := false, false
	switch s.State {
	case supervisor.Holding, supervisor.Held, supervisor.Suspending, supervisor.Suspended:
		held = true
	case supervisor.Aborting, supervisor.Aborted:
		fault = true
	}
	for _, r := range reasons {
		out.gauge(holdReason, truth(held && r == why), r)
		out.gauge(faultSet, truth(fault && r == why), r)
	}
	if n := s.Next; n != nil {
		out.gauge(nextParts, float64(n.Parts))
		if !n.At.IsZero() {
			out.gauge(nextVisit, seconds(n.At))
		}
	}
}

func (c *Collector) belt(out emitter, s *supervisor.Snapshot) {
	b := &s.Belt
	out.counter(beltTravel, metres(b.TravelMM))
	out.gauge(beltAdvance, metres(b.AdvanceMM))
	out.gauge(beltRealign, metres(b.SinceRealignMM))
	out.gauge(beltCheck, metres(b.SinceCheckMM))
	out.gauge(beltUncertain, metres(b.UncertainMM))
	out.gauge(beltClear, truth(b.Clear))
	if b.OffsetMM != nil {
		out.gauge(beltOffset, metres(*b.OffsetMM))
	}
	out.gauge(beltWorst, metres(b.WorstOffsetMM))
	out.gauge(beltLimit, metres(b.OffsetLimitMM))
	out.counter(filamentMeters, metres(c.filament.of(b.FilamentMM)))
}

// highWater makes a counter of the net filament, which falls a little whenever
// some is drawn back: to a reader of counters that would be a reset.
type highWater struct {
	mu   sync.Mutex
	high float64
}

func (h *highWater) of(v float64) float64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.high = max(h.high, v)
	return h.high
}

func heat(out emitter, h *supervisor.HeatView) {
	if h.HasNozzle {
		out.gauge(temperature, h.NozzleC, "nozzle")
		out.gauge(temperatureTarget, h.NozzleTargetC, "nozzle")
	}
	if h.HasBed {
		out.gauge(temperature, h.BedC, "bed")
		out.gauge(temperatureTarget, h.BedTargetC, "bed")
	}
	out.gauge(heatersUnsure, truth(h.Unsure))
	if !h.Read.IsZero() {
		out.gauge(temperatureRead, seconds(h.Read))
	}
}

func line(out emitter, l *supervisor.LineView) {
	out.gauge(connected, truth(l.Connected))
	t := &l.Stats
	out.counter(linesSent, float64(t.LinesSent))
	out.counter(linesAccepted, float64(t.LinesAccepted))
	out.counter(bytesSent, float64(t.BytesSent))
	out.counter(bytesSaved, float64(l.SavedBytes))
	out.counter(bytesReceived, float64(t.BytesReceived))
	out.counter(resends, float64(t.Resends))
	out.counter(timeouts, float64(t.Timeouts))
	out.counter(garbled, float64(t.Garbled))
	out.counter(reportsDropped, float64(t.ReportsDropped))
	out.histogram(roundTrip, &t.RoundTrips)
}

// lot tells the order in work.
func lot(out emitter, s *supervisor.Snapshot) {
	l := s.Lot
	if l == nil {
		return
	}
	out.gauge(orderParts, float64(l.Ordered))
	out.gauge(orderLeft, float64(l.Wanted))
	if !l.DoneAt.IsZero() {
		out.gauge(orderETA, seconds(l.DoneAt))
		out.gauge(orderRemaining, max(0, l.DoneAt.Sub(s.At).Seconds()))
	}
}
