package supervisor

import (
	"fmt"
	"math"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/quality"
)

// What makes a value look like a slip of the pen. It is asked back, and taken when the
// operator is sure of it.
const (
	oddOffsets = 3.0 // times the limit: a belt so far out rubs on its guides
	oddLengths = 5.0 // times the lengths of the job's other parts, or a fifth of them
)

// doubts lists values that are possible and yet so odd that they are asked back. readings
// are those since the realignment with the visit's own as the newest; nil when it is not that.
func (m *Machine) doubts(v *Visit, readings []belt.Reading) []Fault {
	if v.Sure {
		return nil
	}
	var odd []Fault
	if v.OffsetMM != nil {
		limit := m.set.OffsetLimitMM
		switch {
		case limit > 0 && math.Abs(*v.OffsetMM) > oddOffsets*limit:
			odd = append(odd, Fault{"offset_mm", fmt.Sprintf("an offset of %+g mm is more than %g times the limit of %g mm", *v.OffsetMM, oddOffsets, limit)})
		case len(readings) > 1:
			f := m.bed.Outlook(m.advancePerTravel()).Forecast(readings, readings[len(readings)-1])
			for _, flag := range f.Flagged {
				if flag.Newest {
					odd = append(odd, Fault{"offset_mm", fmt.Sprintf("an offset of %+g mm does not fit the %d readings before it, which predict %+.1f mm",
						flag.OffsetMM, len(readings)-1, flag.ExpectedMM)})
				}
			}
		}
	}
	return append(odd, m.oddLengths(v)...)
}

// oddLengths compares the lengths with those of the job's other parts, and with each other.
func (m *Machine) oddLengths(v *Visit) []Fault {
	var odd []Fault
	usual := 0.0
	if m.lot != nil {
		usual = usualLengthMM(m.lot.Chart(v.Job))
	}
	if m.lot != nil && v.Job >= 0 && v.Job < len(m.lot.Sizes) && usual == 0 {
		usual = m.lot.Sizes[v.Job].LengthMM
	}
	for _, mm := range v.LengthsMM {
		if usual > 0 && (mm > oddLengths*usual || mm < usual/oddLengths) {
			odd = append(odd, Fault{"lengths_mm", fmt.Sprintf("a length of %g mm does not fit the %.1f mm of the job's other parts", mm, usual)})
		}
		if usual == 0 {
			usual = mm
		}
	}
	return odd
}

// usualLengthMM is the mean of the lengths that a chart rests on, 0 when it has none.
func usualLengthMM(c *quality.Monitor) float64 {
	if c == nil {
		return 0
	}
	if c.Phase == quality.Frozen {
		return c.Limits.Mean
	}
	sum, n := 0.0, 0
	for _, l := range c.Learned {
		if l.SetAside == "" {
			sum, n = sum+l.Value, n+1
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}
