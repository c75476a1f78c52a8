package metrics

import (
	"strconv"

	"beltwarden/supervisor"
)

// heat sends what the board says of its heaters.
func heat(out emitter, h *supervisor.HeatView) {
	if h.HasNozzle {
		out.gauge(temperature, h.NozzleC, "nozzle")
		out.gauge(temperatureTarget, h.NozzleTargetC, "nozzle")
	}
	if h.HasBed {
		out.gauge(temperature, h.BedC, "bed")
		out.gauge(temperatureTarget, h.BedTargetC, "bed")
	}
	out.gauge(heatersUnsure, boolValue(h.Unsure))
	out.timestamp(temperatureRead, h.Read)
}

// ceilings sends above what no heater is ever sent.
func ceilings(out emitter, o *Options) {
	if o.NozzleCeilingC > 0 {
		out.gauge(ceiling, o.NozzleCeilingC, "nozzle")
	}
	if o.BedCeilingC > 0 {
		out.gauge(ceiling, o.BedCeilingC, "bed")
	}
}

// line sends how the connection to the board goes.
func line(out emitter, l *supervisor.LineView) {
	out.gauge(connected, boolValue(l.Connected))
	t := &l.Stats
	out.timestamp(lastHeard, t.LastHeard)
	out.gauge(unanswered, float64(t.UnansweredBytes))
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

// care sends when what is to be done every so often is due.
func care(out emitter, list []supervisor.CareView) {
	for i, c := range list {
		position := strconv.Itoa(i + 1)
		out.timestamp(careDone, c.Since, position)
		if c.Parts != nil {
			out.gauge(careParts, float64(*c.Parts), position)
		}
	}
}

// supply sends what is left on the spool and how full the bin is.
func supply(out emitter, v *supervisor.SupplyView) {
	out.gaugeIf(spoolLeft, v.SpoolLeftG, 1)
	if v.PartG > 0 {
		out.gauge(spoolPart, v.PartG)
	}
	if v.Binned != nil {
		out.gauge(binParts, float64(*v.Binned))
	}
	if v.BinHolds > 0 {
		out.gauge(binHolds, float64(v.BinHolds))
	}
}
