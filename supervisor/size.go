package supervisor

import (
	"context"
	"fmt"
	"strings"

	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// sizes watch the measured lengths of the lot's parts, a chart for each job. They are
// rebuilt from the checks at a restart.
type sizes struct {
	charts []*quality.Monitor // by job; nil before the first length
	values [][]float64        // the newest lengths by job, since the scale was set
	spoken []int              // visits whose lengths spoke against the chart, by job
	// performed is what was computed of the values, nil when that has to be done anew.
	performed []*performed
	signal    string // what the newest lengths say against them; empty when nothing
}

// SizeOrder is what length along the belt a job's parts should have, and how far a good one
// may be from it to either side. Zero is nothing ordered.
type SizeOrder struct {
	LengthMM    float64 `json:"length_mm"`
	ToleranceMM float64 `json:"tolerance_mm"`
}

// mostLengths is how many of the newest lengths performance is computed from.
const mostLengths = 500

// SizeView is the chart of one job's measured lengths.
type SizeView struct {
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

// measured takes up the lengths of a check. A signal asks for a hold until lengths come
// without one, the belt's scale is corrected, or the operator goes on with a reason.
func (m *Machine) measured(job int, lengths []float64) (remarks string) {
	if m.lot == nil || len(lengths) == 0 {
		return ""
	}
	s := &m.lot.sizes
	for len(s.charts) <= job {
		s.charts, s.values, s.spoken, s.performed = append(s.charts, nil), append(s.values, nil), append(s.spoken, 0), append(s.performed, nil)
	}
	if s.charts[job] == nil {
		s.charts[job], _ = quality.NewMonitor(quality.DefaultSettings()) // these are sound
	}
	s.signal, s.performed[job] = "", nil
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
			remarks += "; " + verdict.Remark
		}
		if verdict.Suggestion != nil {
			remedy = verdict.Suggestion
		}
	}
	if len(said) == 0 {
		return remarks
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
	return remarks
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
		m.sizeWord(c)
		m.measured(*c.JobIndex, c.LengthsMM)
	}
	if before != nil {
		m.sizesAnew()
	}
}

// wrongSizeWord lists what a visit cannot say of lengths measured before.
func (m *Machine) wrongSizeWord(v *Visit) []Fault {
	var wrong []Fault
	say := func(field, format string, a ...any) { wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)}) }
	if len(v.SetAside) == 0 && !v.AcceptLengths {
		return nil
	}
	field := "set_aside"
	if len(v.SetAside) == 0 {
		field = "accept_lengths"
	}
	if m.lot == nil || v.Job < 0 || v.Job >= len(m.lot.sizes.charts) || m.lot.sizes.charts[v.Job] == nil {
		say(field, "no length of this job was measured")
		return wrong
	}
	if len(v.LengthsMM) > 0 {
		say("lengths_mm", "record new lengths in a separate check, after setting aside or accepting the earlier ones")
	}
	if strings.TrimSpace(v.Note) == "" {
		say("note", "give the reason in the note when you set lengths aside or accept them")
	}
	trial, err := m.lot.sizes.charts[v.Job].Copy()
	if err != nil {
		say(field, "%v", err)
		return wrong
	}
	for _, n := range v.SetAside {
		if _, err := trial.SetAside(int64(n)-1, "tried"); err != nil {
			say("set_aside", "%v", err)
		}
	}
	if v.AcceptLengths {
		if err := trial.Accept(); err != nil {
			say("accept_lengths", "%v", err)
		}
	}
	return wrong
}

// setAside is what the ledger keeps of it.
func (v *Visit) setAside() (list []int64) {
	for _, n := range v.SetAside {
		list = append(list, int64(n))
	}
	return list
}

// sizeWord takes up what a check says of the lengths before it. It ends a signal that they
// gave, unless others still stand out.
func (m *Machine) sizeWord(c ledger.Check) {
	if m.lot == nil || c.JobIndex == nil || len(c.SetAside) == 0 && !c.LengthsAccepted {
		return
	}
	s, job := &m.lot.sizes, *c.JobIndex
	if job >= len(s.charts) || s.charts[job] == nil {
		return
	}
	s.performed[job], s.spoken[job], s.signal = nil, 0, ""
	for _, text := range quality.Word(s.charts[job], c.SetAside, c.Note, c.LengthsAccepted) {
		s.signal, s.spoken[job] = text, 1
	}
}

// sizesAnew has the limits learned again, since the parts will have another length.
func (m *Machine) sizesAnew() {
	for k, c := range m.lot.sizes.charts {
		if c != nil {
			c.Reset()
		}
		m.lot.sizes.values[k], m.lot.sizes.spoken[k], m.lot.sizes.performed[k] = nil, 0, nil
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
	// Assumed: too few parts were looked at, so that the yield is taken for granted.
	Assumed bool `json:"assumed"`
}

// sizeView returns the chart of a job, nil before its first length.
func (l *lot) sizeView(job int) *SizeView {
	if job >= len(l.sizes.charts) || l.sizes.charts[job] == nil {
		return nil
	}
	c := l.sizes.charts[job]
	v := &SizeView{N: c.N, Phase: c.Phase, MeanMM: c.Limits.Mean, LowerMM: c.Limits.LCL, UpperMM: c.Limits.UCL}
	if values := l.sizes.values[job]; len(values) > 0 {
		v.NewestMM, v.ValuesMM = values[len(values)-1], values
	}
	if c.Phase == quality.Learning {
		v.Missing, v.SteppedAt = c.Missing, c.SteppedAt
	}
	if job < len(l.ordered) && l.ordered[job].LengthMM > 0 {
		if l.sizes.performed[job] == nil {
			l.sizes.performed[job] = perform(l.ordered[job], l.sizes.values[job], l.sizes.spoken[job])
		}
		v.perform(l.ordered[job], l.sizes.performed[job])
	}
	return v
}

// yieldPlan says how many cycles are to be started so that the ordered parts come out
// good with 95 % certainty, by the scrap found so far. It is made anew only when a count has
// changed: it sums over all that is ordered, and each reply of the board asks for it.
func (l *lot) yieldPlan() *YieldView {
	t := l.total()
	o := quality.Order{Good: int64(t.ordered), Made: int64(t.made + t.torn), Scrap: int64(t.scrap + t.torn), Unverified: int64(t.unverified())}
	if l.yield != nil && o == l.yieldOf {
		return l.yield
	}
	l.yieldOf, l.yield = o, nil
	if p, err := quality.PlanFor(o, quality.DefaultPrior(), 0.95); err == nil {
		l.yield = &YieldView{Cycles: p.Cycles, Probability: p.Probability, Yield: p.Yield, Low: p.Seen.Low, High: p.Seen.High, Assumed: p.Assumed}
	}
	return l.yield
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

func (v *SizeView) perform(o SizeOrder, p *performed) {
	v.Ordered = &o
	if p.err != nil {
		v.WhyNot = p.err.Error()
		return
	}
	v.Pp, v.Ppk, v.PpkInterval, v.OutsideMost = &p.Pp, &p.Ppk, &p.PpkInterval, &p.OutsideMost
}

// loadOrdered takes up the lengths ordered with the lot.
func (m *Machine) loadOrdered(ctx context.Context, l Ledger) error {
	sizes, err := l.Sizes(ctx, m.lot.ID)
	if err != nil || len(sizes) == 0 {
		return err
	}
	m.lot.ordered = make([]SizeOrder, len(m.lot.Jobs))
	for i, s := range sizes {
		m.lot.ordered[i] = SizeOrder{s.LengthMM, s.ToleranceMM}
	}
	return nil
}

// wrongSizes lists sizes that cannot be ordered.
func wrongSizes(sizes []SizeOrder, jobs int) []string {
	if len(sizes) == 0 {
		return nil
	}
	if len(sizes) != jobs {
		return []string{fmt.Sprintf("%d sizes are ordered for %d jobs", len(sizes), jobs)}
	}
	var wrong []string
	for i, o := range sizes {
		if o == (SizeOrder{}) {
			continue
		}
		if !(o.LengthMM > 0 && o.LengthMM <= 10000) || !(o.ToleranceMM > 0 && o.ToleranceMM < o.LengthMM) {
			wrong = append(wrong, fmt.Sprintf("a length of %g +/- %g mm cannot be ordered of job %d", o.LengthMM, o.ToleranceMM, i+1))
		}
	}
	return wrong
}
