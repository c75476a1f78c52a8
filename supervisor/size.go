package supervisor

import (
	"fmt"
	"strings"

	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// sizes watch the measured lengths of the lot's parts, a chart for each job. They are
// rebuilt from the checks at a restart.
type sizes struct {
	charts []*quality.Monitor // by job; nil before the first length
	newest []float64          // by job
	signal string             // what the newest lengths say against them; empty when nothing
}

// SizeView is the chart of one job's measured lengths.
type SizeView struct {
	N        int64         `json:"n"`
	Phase    quality.Phase `json:"phase"`
	Missing  int           `json:"missing"` // lengths that limits still need
	MeanMM   float64       `json:"mean_mm"`
	LowerMM  float64       `json:"lower_limit_mm"`
	UpperMM  float64       `json:"upper_limit_mm"`
	NewestMM float64       `json:"newest_mm"`
}

// measured takes up the lengths of a check. A signal asks for a hold until lengths come
// without one, the belt's scale is corrected, or the operator goes on with a reason.
func (m *Machine) measured(job int, lengths []float64) {
	if m.lot == nil || len(lengths) == 0 {
		return
	}
	s := &m.lot.sizes
	for len(s.charts) <= job {
		s.charts, s.newest = append(s.charts, nil), append(s.newest, 0)
	}
	if s.charts[job] == nil {
		s.charts[job], _ = quality.NewMonitor(quality.DefaultSettings()) // these are sound
	}
	s.signal = ""
	var said []string
	var remedy *quality.Suggestion
	for _, v := range lengths {
		verdict, err := s.charts[job].Observe(v)
		if err != nil {
			continue // refused with the check already
		}
		s.newest[job] = v
		for _, signal := range verdict.Signals {
			said = append(said, signal.Text)
		}
		if verdict.Suggestion != nil {
			remedy = verdict.Suggestion
		}
	}
	if len(said) == 0 {
		return
	}
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

// takeUpSizes goes through the checks of the lot, all in force, again. Those until the belt's
// scale was last set tell of parts of another length.
func (m *Machine) takeUpSizes(checks []ledger.Check) {
	m.lot.sizes = sizes{}
	before := m.rescaling.last
	for _, c := range checks {
		if c.LotID != m.lot.ID || c.JobIndex == nil {
			continue
		}
		if before != nil && c.TravelMM > before.TravelMM {
			m.sizesAnew()
			before = nil
		}
		m.measured(*c.JobIndex, c.LengthsMM)
	}
	if before != nil {
		m.sizesAnew()
	}
}

// sizesAnew has the limits learned again, since the parts will have another length.
func (m *Machine) sizesAnew() {
	for _, c := range m.lot.sizes.charts {
		if c != nil {
			c.Reset()
		}
	}
	m.lot.sizes.signal = ""
}

// YieldView is the plan for the rest of an order.
type YieldView struct {
	Cycles      int64   `json:"cycles"` // to begin still, for 95 % certainty
	Probability float64 `json:"probability"`
	Yield       float64 `json:"yield"` // expected fraction of good parts
	// Low and High are the 95 % Wilson interval of the yield of parts looked at.
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// sizeView returns the chart of a job, nil before its first length.
func (l *lot) sizeView(job int) *SizeView {
	if job >= len(l.sizes.charts) || l.sizes.charts[job] == nil {
		return nil
	}
	c := l.sizes.charts[job]
	v := &SizeView{N: c.N, Phase: c.Phase, MeanMM: c.Limits.Mean, LowerMM: c.Limits.LCL, UpperMM: c.Limits.UCL, NewestMM: l.sizes.newest[job]}
	if c.Phase == quality.Learning {
		v.Missing = max(0, c.Settings.Learn-len(c.Learned))
	}
	return v
}

// yieldPlan says how many cycles are to be started so that the ordered parts come out
// good with 95 % certainty, by the scrap found so far.
func (l *lot) yieldPlan() *YieldView {
	t := l.total()
	p, err := quality.PlanFor(quality.Order{Good: int64(t.ordered), Made: int64(t.made + t.torn),
		Scrap: int64(t.scrap + t.torn), Unverified: int64(t.unverified())}, quality.DefaultPrior(), 0.95)
	if err != nil {
		return nil
	}
	return &YieldView{Cycles: p.Cycles, Probability: p.Probability, Yield: p.Yield, Low: p.Seen.Low, High: p.Seen.High}
}
