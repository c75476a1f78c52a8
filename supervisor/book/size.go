package book

import (
	"fmt"
	"slices"
	"strings"

	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// sizes are the charts of measured lengths, one for each job of a lot.
type sizes struct {
	charts  []*quality.Monitor // by job; nil before the first length
	values  [][]float64        // the newest lengths by job, since the scale was set
	signals []int              // visits whose lengths gave a signal against the chart, by job
	raised  [][]quality.Signal // those signals, by job, as far as they speak of the newest lengths
	// performed is the cached result for the values, nil when it must be recomputed.
	performed []*performed
	signal    string // signal of the newest lengths against their chart; empty for none
	by        int64  // the check with these lengths
	remarks   string // on the newest lengths, for the answer to their check
}

// SizeOrder is the ordered length of a job's parts along the belt, and its tolerance to either side.
// Zero means that none was ordered.
type SizeOrder struct {
	LengthMM    float64 `json:"length_mm"`
	ToleranceMM float64 `json:"tolerance_mm"`
}

// maxLengths is the number of newest lengths that performance is computed from.
const maxLengths = 500

// Size is the chart of one job's measured lengths.
type Size struct {
	N       int64         `json:"n"`
	Phase   quality.Phase `json:"phase"`
	Missing int           `json:"missing"` // lengths still needed for limits
	// SteppedAt is the number of the length, less one, from which on the lengths seem to lie on
	// another level; limits are learned from there. 0 for none.
	SteppedAt int64   `json:"stepped_at,omitempty"`
	MeanMM    float64 `json:"mean_mm"`
	LowerMM   float64 `json:"lower_limit_mm"`
	UpperMM   float64 `json:"upper_limit_mm"`
	NewestMM  float64 `json:"newest_mm"` // 0 before the first since the scale was set
	// ValuesMM are the newest lengths, newest last, Signals those raised against them, and Base the
	// numbers of the first and the last length that the limits rest on, 0 before there are any. They
	// are what a control chart shows, and read-only.
	ValuesMM []float64        `json:"-"`
	Signals  []quality.Signal `json:"-"`
	Base     [2]int64         `json:"-"`
	// Ordered is nil if no length was ordered; then there is no performance either.
	Ordered *SizeOrder `json:"ordered,omitempty"`
	// Pp and Ppk are computed from all lengths kept, with the 95 % interval of Ppk, and the largest
	// fraction out of tolerance, with 95 % certainty if lengths are normal. All are nil while there
	// are too few lengths to judge by, or signals; WhyNot gives the reason.
	Pp          *float64          `json:"pp,omitempty"`
	Ppk         *float64          `json:"ppk,omitempty"`
	PpkInterval *quality.Interval `json:"ppk_interval,omitempty"`
	OutsideMost *float64          `json:"outside_most,omitempty"`
	WhyNot      string            `json:"why_no_performance,omitempty"`
}

// add applies the lengths of a check. A signal stays in force until lengths come without one, the
// belt's scale is corrected, or the operator continues with a reason.
func (s *sizes) add(check int64, job int, lengths []float64) {
	s.remarks = ""
	if len(lengths) == 0 {
		return
	}
	for len(s.charts) <= job {
		s.charts, s.values, s.signals, s.performed = append(s.charts, nil), append(s.values, nil), append(s.signals, 0), append(s.performed, nil)
		s.raised = append(s.raised, nil)
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
			continue // the check was refused for it already
		}
		s.values[job] = append(s.values[job], v)
		if n := len(s.values[job]); n > maxLengths {
			s.values[job] = s.values[job][n-maxLengths:]
		}
		for _, signal := range verdict.Signals {
			said = append(said, signal.Text)
			s.noteSignal(job, signal)
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
	s.signals[job]++
	s.signal = strings.Join(said, "; ")
	// The limits stay. The memory of averages and runs is cleared: a value that stood out would
	// otherwise drag good ones after it into signals of their own.
	if c := s.charts[job]; c.Phase == quality.Frozen {
		if err := c.Freeze(c.Limits); err != nil {
			s.charts[job] = nil // cannot happen: they were frozen before
		}
	}
	if remedy != nil {
		s.signal += fmt.Sprintf("; %s: %s", remedy.Do, remedy.Text)
	}
}

// noteSignal keeps a signal for the chart, once. Snapshots share the list, so that it is written anew.
func (s *sizes) noteSignal(job int, signal quality.Signal) {
	list := slices.DeleteFunc(slices.Clone(s.raised[job]), func(g quality.Signal) bool {
		return g.Index == signal.Index && g.Rule == signal.Rule || g.Index < s.charts[job].N-maxLengths
	})
	s.raised[job] = append(list, signal)
}

// decide applies what a check decides on earlier lengths. It ends their signal, unless other lengths
// still stand out.
func (s *sizes) decide(c ledger.Check, job int) {
	if len(c.SetAside) == 0 && !c.LengthsAccepted || s.Chart(job) == nil {
		return
	}
	s.performed[job], s.signals[job], s.signal = nil, 0, ""
	if s.charts[job].Phase == quality.Learning {
		s.raised[job] = nil // they are about what the limits are learned from, and are judged anew
	}
	for _, text := range quality.ApplyDecision(s.charts[job], c.SetAside, c.Note, c.LengthsAccepted) {
		s.signal, s.by, s.signals[job] = text, c.ID, 1
	}
}

// reset makes the chart learn its limits again, since the parts will have another length.
func (s *sizes) reset() {
	for k, c := range s.charts {
		if c != nil {
			c.Reset()
		}
		s.values[k], s.signals[k], s.performed[k], s.raised[k] = nil, 0, nil, nil
	}
	s.signal = ""
}

func (b *Book) resetSizes() {
	if b.Lot != nil {
		b.Lot.sizes.reset()
	}
}

// Chart returns the chart of a job's lengths, nil before the first. It is read-only.
func (s *sizes) Chart(job int) *quality.Monitor {
	if job < 0 || job >= len(s.charts) {
		return nil
	}
	return s.charts[job]
}

// Chart returns the chart of a job's lengths, nil before the first. It is read-only.
func (l *Lot) Chart(job int) *quality.Monitor { return l.sizes.Chart(job) }

// SizeSignal is the signal of the newest measured lengths against their chart, "" if there is none or
// the operator has continued against it.
func (b *Book) SizeSignal() string {
	if b.Lot == nil || b.Overridden(b.Lot.sizes.by) {
		return ""
	}
	return b.Lot.sizes.signal
}

// Remarks are on the lengths of the newest check, each preceded by a semicolon.
func (l *Lot) Remarks() string { return l.sizes.remarks }

func (l *Lot) orderSize(r ledger.SizeOrdered) {
	if l.Sizes == nil {
		l.Sizes = make([]SizeOrder, len(l.Jobs))
	}
	if r.JobIndex < len(l.Sizes) {
		l.Sizes[r.JobIndex] = SizeOrder{r.LengthMM, r.ToleranceMM}
	}
}

// Size returns a job's chart for a snapshot, nil before its first length.
func (l *Lot) Size(job int) *Size {
	c := l.sizes.Chart(job)
	if c == nil {
		return nil
	}
	v := &Size{N: c.N, Phase: c.Phase, MeanMM: c.Limits.Mean, LowerMM: c.Limits.LCL, UpperMM: c.Limits.UCL}
	if values := l.sizes.values[job]; len(values) > 0 {
		v.NewestMM, v.ValuesMM, v.Signals = values[len(values)-1], values, l.sizes.raised[job]
	}
	if n := len(c.Learned); n > 0 && c.Phase == quality.Frozen {
		v.Base = [2]int64{c.Learned[0].Index + 1, c.Learned[n-1].Index + 1}
	}
	if c.Phase == quality.Learning {
		v.Missing, v.SteppedAt = c.Missing, c.SteppedAt
	}
	if job < len(l.Sizes) && l.Sizes[job].LengthMM > 0 {
		if l.sizes.performed[job] == nil {
			l.sizes.performed[job] = perform(l.Sizes[job], l.sizes.values[job], l.sizes.signals[job])
		}
		v.perform(l.Sizes[job], l.sizes.performed[job])
	}
	return v
}

// performed is how well lengths keep to the order, or why that cannot be computed.
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
