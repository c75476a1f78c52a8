package report

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// Size is what was measured of the lengths of a job's parts along the belt, mm. Which part a length
// belongs to is not recorded: they are in the order of recording.
type Size struct {
	Ordered *Tolerance `json:"ordered,omitempty"` // nil when no length was ordered
	N       int        `json:"n"`
	MeanMM  float64    `json:"mean_mm"`
	SDMM    float64    `json:"sd_mm"` // of all lengths about their mean: drift is in it
	MinMM   float64    `json:"min_mm"`
	MaxMM   float64    `json:"max_mm"`
	Outside *int       `json:"outside,omitempty"` // measured lengths out of tolerance
	// Pp and Ppk with their 95 % intervals, and the fraction out of tolerance at most, with
	// 95 % certainty if lengths are normally distributed. They are by the lengths since the
	// belt's scale was last set, from number From on. Why says why there is none.
	From        int               `json:"performance_from,omitempty"`
	Pp          *float64          `json:"pp,omitempty"`
	Ppk         *float64          `json:"ppk,omitempty"`
	PpInterval  *quality.Interval `json:"pp_interval,omitempty"`
	PpkInterval *quality.Interval `json:"ppk_interval,omitempty"`
	OutsideMost *float64          `json:"outside_most,omitempty"`
	// OutsideByCount is the fraction out of tolerance at most, with 95 % certainty, by the count of those measured
	// alone: it needs no distribution, and so is all that a customer is told.
	OutsideByCount *float64 `json:"outside_most_by_count,omitempty"`
	Why            string   `json:"why_no_performance,omitempty"`
	Lengths        []Length `json:"lengths"`
}

// Tolerance is a length with what it may differ by to either side.
type Tolerance struct {
	LengthMM    float64 `json:"length_mm"`
	ToleranceMM float64 `json:"tolerance_mm"`
}

// Length is one measured part.
type Length struct {
	Visit int64     `json:"visit,omitempty"` // not shown to a customer
	At    time.Time `json:"at"`
	MM    float64   `json:"length_mm"`
}

// Control judges the lengths by the control limits learned from them, as the run did: anew after
// each change of the belt's scale.
type Control struct {
	Phase   quality.Phase `json:"phase,omitempty"` // learning or frozen; empty without a length
	From    int           `json:"from"`            // first length that the limits judge, from 1
	Missing int           `json:"missing"`         // lengths that limits still need
	MeanMM  float64       `json:"mean_mm"`
	LowerMM float64       `json:"lower_limit_mm"`
	UpperMM float64       `json:"upper_limit_mm"`
	Base    [2]int        `json:"base"` // first and last length that the limits rest on, from 1; 0 before there are any
	Signals []Signal      `json:"signals"`
}

// Signal is evidence in a length that the process is not steady.
type Signal struct {
	Length int          `json:"length"` // from 1
	From   int          `json:"from"`   // the first length that it speaks of, as far as the rule knows it
	Rule   quality.Rule `json:"rule"`
	Text   string       `json:"text"`
}

func (s *Size) customer() *Size {
	c := *s
	c.OutsideMost = nil
	c.Lengths = slices.Clone(s.Lengths)
	for i := range c.Lengths {
		c.Lengths[i].Visit = 0
	}
	return &c
}

// confidence is that of every interval of a report.
const confidence = 0.95

// sizeOf sums up what visits in force have measured of a job; nil when nothing was
// measured and nothing ordered.
func sizeOf(visits []ledger.Check, job int, ordered *ledger.SizeOrdered, control Control, zone *time.Location) *Size {
	s := &Size{Lengths: []Length{}}
	var values []float64
	for _, c := range visits {
		if c.JobIndex == nil || *c.JobIndex != job {
			continue
		}
		for _, mm := range c.LengthsMM {
			s.Lengths = append(s.Lengths, Length{Visit: c.ID, At: c.At.In(zone), MM: mm})
			values = append(values, mm)
		}
	}
	if ordered == nil && len(values) == 0 {
		return nil
	}
	if s.N = len(values); s.N > 0 {
		s.MinMM, s.MaxMM = slices.Min(values), slices.Max(values)
	}
	if s.N == 1 {
		s.MeanMM = values[0]
	}
	sample, err := quality.SampleOf(values)
	if err == nil {
		s.MeanMM, s.SDMM = sample.Mean, sample.SD
	}
	if ordered == nil {
		s.Why = "no tolerance was ordered"
		return s
	}
	s.Ordered = &Tolerance{ordered.LengthMM, ordered.ToleranceMM}
	low, high := ordered.LengthMM-ordered.ToleranceMM, ordered.LengthMM+ordered.ToleranceMM
	out := 0
	for _, v := range values {
		if v < low-rounding || v > high+rounding {
			out++
		}
	}
	s.Outside = &out
	if most, err := quality.AtMost(int64(out), int64(len(values)), confidence); err == nil {
		s.OutsideByCount = &most
	}
	s.perform(values, control, quality.Tolerance{Lower: low, Upper: high})
	return s
}

// rounding keeps a length that stands exactly on the tolerance within it, mm.
const rounding = 1e-9

func (s *Size) perform(values []float64, control Control, t quality.Tolerance) {
	from, signals := max(1, control.From), 0
	for _, g := range control.Signals {
		if g.Length >= from {
			signals++
		}
	}
	p, err := quality.PerformanceOf(values[min(from-1, len(values)):], signals, t, confidence)
	switch {
	case errors.Is(err, quality.ErrFew) && from > 1:
		s.Why = fmt.Sprintf("fewer than %d parts were measured since the belt's scale was set", quality.MinForPerformance)
	case errors.Is(err, quality.ErrFew):
		s.Why = fmt.Sprintf("fewer than %d parts were measured", quality.MinForPerformance)
	case errors.Is(err, quality.ErrSignals):
		s.Why = "the control chart has signals: the lengths are not of one steady process"
	case errors.Is(err, quality.ErrNoScatter):
		s.Why = "all measured lengths are equal: use a finer caliper or measure more parts"
	case errors.Is(err, quality.ErrTails):
		s.Why = "some lengths lie too far out for a normal distribution"
	case errors.Is(err, quality.ErrCoarse):
		s.Why = "the lengths were read too coarsely: use a finer caliper"
	case err != nil:
		s.Why = err.Error()
	default:
		s.From = from
		s.Pp, s.Ppk, s.PpInterval, s.PpkInterval, s.OutsideMost = &p.Pp, &p.Ppk, &p.PpInterval, &p.PpkInterval, &p.OutsideMost
	}
}

// controlFrom judges the lengths of a job as the run does.
func controlFrom(visits []ledger.Check, job int, rescaled []ledger.ScaleSet) Control {
	c := Control{Signals: []Signal{}}
	m, err := quality.NewMonitor(quality.DefaultSettings())
	if err != nil {
		return c // cannot be: these settings are sound
	}
	n, from := 0, 1
	anew := func(travelMM float64) {
		for len(rescaled) > 0 && travelMM > rescaled[0].TravelMM {
			rescaled = rescaled[1:]
			m.Reset()
			from = n + 1
		}
	}
	for _, v := range visits {
		anew(v.TravelMM)
		if v.JobIndex == nil || *v.JobIndex != job {
			continue
		}
		_ = quality.ApplyDecision(m, v.SetAside, v.Note, v.LengthsAccepted) // as the run does
		signalled := false
		for _, mm := range v.LengthsMM {
			n++
			verdict, err := m.Observe(mm)
			if err != nil {
				continue // the run refuses such a length
			}
			for _, g := range verdict.Signals {
				signalled = true
				c.Signals = append(c.Signals, Signal{Length: int(g.Index) + 1, From: int(g.From) + 1, Rule: g.Rule, Text: g.Text})
			}
		}
		if signalled && m.Phase == quality.Frozen {
			_ = m.Freeze(m.Limits) // as the run does; these limits were frozen before
		}
	}
	anew(math.Inf(1))
	if n == 0 {
		return c
	}
	c.Phase, c.From = m.Phase, from
	if m.Phase == quality.Learning {
		c.Missing = m.Missing
		return c
	}
	c.MeanMM, c.LowerMM, c.UpperMM = m.Limits.Mean, m.Limits.LCL, m.Limits.UCL
	if k := len(m.Learned); k > 0 {
		c.Base = [2]int{int(m.Learned[0].Index) + 1, int(m.Learned[k-1].Index) + 1}
	}
	return c
}
