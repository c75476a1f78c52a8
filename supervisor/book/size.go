package book

import (
	"fmt"
	"strings"

	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// sizes are the charts of the measured lengths of a lot's parts, one for each job.
type sizes struct {
	charts []*quality.Monitor // by job; nil before the first length
	values [][]float64        // the newest lengths by job, since the scale was set
	spoken []int              // visits whose lengths spoke against the chart, by job
	// performed is what was computed of the values, nil when that has to be done anew.
	performed []*performed
	signal    string // what the newest lengths say against them; empty when nothing
	by        int64  // the check that they are of
	remarks   string // on the newest lengths, for the answer to their check
}

// SizeOrder is what length along the belt a job's parts should have, and how far a good one
// may be from it to either side. Zero is nothing ordered.
type SizeOrder struct {
	LengthMM    float64 `json:"length_mm"`
	ToleranceMM float64 `json:"tolerance_mm"`
}

// mostLengths is how many of the newest lengths performance is computed from.
const mostLengths = 500

// Size is the chart of one job's measured lengths.
type Size struct {
	N       int64         `json:"n"`
	Phase   quality.Phase `json:"phase"`
	Missing int           `json:"missing"` // lengths that limits still need
	// SteppedAt is the number of the length, less one, from which on they seem to lie on another
	// level; limits are learned from there. 0 for none.
	SteppedAt int64   `json:"stepped_at,omitempty"`
	MeanMM    float64 `json:"mean_mm"`
	LowerMM   float64 `json:"lower_limit_mm"`
	UpperMM   float64 `json:"upper_limit_mm"`
	NewestMM  float64 `json:"newest_mm"` // 0 before the first since the scale was set
	// ValuesMM are the newest lengths, the newest last. Nobody changes them.
	ValuesMM []float64 `json:"-"`
	// Ordered is nil where no length was ordered; then there is no performance either.
	Ordered *SizeOrder `json:"ordered,omitempty"`
	// Pp and Ppk are by all lengths kept, with the 95 % interval of Ppk, and the fraction that
	// is out of tolerance at most, with 95 % certainty if lengths are normal. All are nil while
	// there are too few lengths to judge by, or signals; WhyNot says so.
	Pp          *float64          `json:"pp,omitempty"`
	Ppk         *float64          `json:"ppk,omitempty"`
	PpkInterval *quality.Interval `json:"ppk_interval,omitempty"`
	OutsideMost *float64          `json:"outside_most,omitempty"`
	WhyNot      string            `json:"why_no_performance,omitempty"`
}

// measured takes in the lengths of a check. A signal stands until lengths come without one, the belt's scale is
// corrected, or the operator goes on with a reason.
func (s *sizes) measured(check int64, job int, lengths []float64) {
	s.remarks = ""
	if len(lengths) == 0 {
		return
	}
	for len(s.charts) <= job {
		s.charts, s.values, s.spoken, s.performed = append(s.charts, nil), append(s.values, nil), append(s.spoken, 0), append(s.performed, nil)
	}
	if s.charts[job] == nil {
		s.charts[job], _ = quality.NewMonitor(quality.DefaultSettings()) // these are sound
	}
	s.signal, s.by, s.performed[job] = "", check, nil
	var said []string
	var remedy *quality.Suggestion
	for _, v := range lengths {
		verdict, err := s.charts[job].Observe(v)
		if err != nil {
			continue // refused with the check already
		}
		s.values[job] = append(s.values[job], v)
		if n := len(s.values[job]); n > mostLengths {
			s.values[job] = s.values[job][n-mostLengths:]
		}
		for _, signal := range verdict.Signals {
			said = append(said, signal.Text)
		}
		if verdict.Remark != "" {
			s.remarks += "; " + verdict.Remark
		}
		if verdict.Suggestion != nil {
			remedy = verdict.Suggestion
		}
	}
	if len(said) == 0 {
		return
	}
	s.spoken[job]++
	s.signal = strings.Join(said, "; ")
	// The limits stay. What the averages and runs remember is dealt with now: a value that
	// stood out would otherwise drag good ones after it into signals of their own.
	if c := s.charts[job]; c.Phase == quality.Frozen {
		if err := c.Freeze(c.Limits); err != nil {
			s.charts[job] = nil // cannot be: they were frozen before
		}
	}
	if remedy != nil {
		s.signal += fmt.Sprintf("; %s: %s", remedy.Do, remedy.Text)
	}
}

// word takes in what a check says of the lengths before it. It ends a signal that they gave, unless others still
// stand out.
func (s *sizes) word(c ledger.Check, job int) {
	if len(c.SetAside) == 0 && !c.LengthsAccepted || s.Chart(job) == nil {
		return
	}
	s.performed[job], s.spoken[job], s.signal = nil, 0, ""
	for _, text := range quality.Word(s.charts[job], c.SetAside, c.Note, c.LengthsAccepted) {
		s.signal, s.by, s.spoken[job] = text, c.ID, 1
	}
}

// anew has the limits learned again, since the parts will have another length.
func (s *sizes) anew() {
	for k, c := range s.charts {
		if c != nil {
			c.Reset()
		}
		s.values[k], s.spoken[k], s.performed[k] = nil, 0, nil
	}
	s.signal = ""
}

func (b *Book) sizesAnew() {
	if b.Lot != nil {
		b.Lot.sizes.anew()
	}
}

// Chart returns the chart of a job's lengths, nil before the first. Nobody changes it.
func (s *sizes) Chart(job int) *quality.Monitor {
	if job < 0 || job >= len(s.charts) {
		return nil
	}
	return s.charts[job]
}

// Chart returns the chart of a job's lengths, nil before the first. Nobody changes it.
func (l *Lot) Chart(job int) *quality.Monitor { return l.sizes.Chart(job) }

// SizeSignal is what the newest measured lengths say against their chart, "" where nothing or the operator has gone
// on against it.
func (b *Book) SizeSignal() string {
	if b.Lot == nil || b.GoneAgainst(b.Lot.sizes.by) {
		return ""
	}
	return b.Lot.sizes.signal
}

// Remarks are on the lengths of the newest check, each behind a semicolon.
func (l *Lot) Remarks() string { return l.sizes.remarks }

func (l *Lot) ordered(r ledger.SizeOrdered) {
	if l.Sizes == nil {
		l.Sizes = make([]SizeOrder, len(l.Jobs))
	}
	if r.JobIndex < len(l.Sizes) {
		l.Sizes[r.JobIndex] = SizeOrder{r.LengthMM, r.ToleranceMM}
	}
}

// Size returns the chart of a job for a picture of it, nil before its first length.
func (l *Lot) Size(job int) *Size {
	c := l.sizes.Chart(job)
	if c == nil {
		return nil
	}
	v := &Size{N: c.N, Phase: c.Phase, MeanMM: c.Limits.Mean, LowerMM: c.Limits.LCL, UpperMM: c.Limits.UCL}
	if values := l.sizes.values[job]; len(values) > 0 {
		v.NewestMM, v.ValuesMM = values[len(values)-1], values
	}
	if c.Phase == quality.Learning {
		v.Missing, v.SteppedAt = c.Missing, c.SteppedAt
	}
	if job < len(l.Sizes) && l.Sizes[job].LengthMM > 0 {
		if l.sizes.performed[job] == nil {
			l.sizes.performed[job] = perform(l.Sizes[job], l.sizes.values[job], l.sizes.spoken[job])
		}
		v.perform(l.Sizes[job], l.sizes.performed[job])
	}
	return v
}

// performed is how well lengths keep to what was ordered, or why that is not said.
type performed struct {
	quality.Performance
	err error
}

func perform(o SizeOrder, values []float64, signals int) *performed {
	p, err := quality.PerformanceOf(values, signals, quality.Tolerance{Lower: o.LengthMM - o.ToleranceMM, Upper: o.LengthMM + o.ToleranceMM}, 0.95)
	return &performed{p, err}
}

func (v *Size) perform(o SizeOrder, p *performed) {
	v.Ordered = &o
	if p.err != nil {
		v.WhyNot = p.err.Error()
		return
	}
	v.Pp, v.Ppk, v.PpkInterval, v.OutsideMost = &p.Pp, &p.Ppk, &p.PpkInterval, &p.OutsideMost
}
