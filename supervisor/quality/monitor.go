package quality

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Phase says whether limits are being learned or hold.
type Phase string

// The two phases of a chart. Learning values are judged together, by limits from
// themselves; later ones each by the frozen limits.
const (
	Learning Phase = "learning"
	Frozen   Phase = "frozen"
)

// mostLearned bounds the values kept while limits are being learned.
const mostLearned = 100

// Settings say how values are judged.
type Settings struct {
	Rules []Rule  `json:"rules"`
	Learn int     `json:"learn"` // values for limits, 2 to 100; 20 leave Sigma uncertain by a fifth
	D2    float64 `json:"d2"`    // ExactD2 or PrintedD2
	// AverageWeight and AverageWidth are those of the moving average (EWMA).
	AverageWeight float64 `json:"average_weight"`
	AverageWidth  float64 `json:"average_width"`
	// SumSlack and SumBound are those of the cumulative sums (CUSUM), in standard deviations.
	SumSlack float64 `json:"sum_slack"`
	SumBound float64 `json:"sum_bound"`
}

// DefaultSettings suit parts that are measured one or a few a visit: a false alarm
// costs a walk to the machine, so of the rules those that find most are taken.
// The figures are textbook ones (EWMA 0.2 and 3; CUSUM 0.5 and 5; from memory).
func DefaultSettings() Settings {
	return Settings{Rules: []Rule{Beyond3, Range, EWMA}, Learn: 20, D2: ExactD2,
		AverageWeight: 0.2, AverageWidth: 3, SumSlack: 0.5, SumBound: 5}
}

// Check names everything that is wrong with the settings.
func (s Settings) Check() error {
	var wrong []string
	if s.Learn < 2 || s.Learn > mostLearned {
		wrong = append(wrong, fmt.Sprintf("limits are learned from 2 to %d values, not %d", mostLearned, s.Learn))
	}
	if !(s.D2 > 0) {
		wrong = append(wrong, fmt.Sprintf("d2 of %g is not above 0", s.D2))
	}
	if !(s.AverageWeight > 0 && s.AverageWeight <= 1) || !(s.AverageWidth > 0) {
		wrong = append(wrong, fmt.Sprintf("a moving average needs a weight above 0 and at most 1 and a width above 0, not %g and %g", s.AverageWeight, s.AverageWidth))
	}
	if !(s.SumSlack >= 0) || !(s.SumBound > 0) {
		wrong = append(wrong, fmt.Sprintf("cumulative sums need a slack of 0 or more and a bound above 0, not %g and %g", s.SumSlack, s.SumBound))
	}
	for _, r := range s.Rules {
		if !slices.Contains(Rules(), r) {
			wrong = append(wrong, fmt.Sprintf("rule %q is unknown", r))
		}
	}
	if wrong != nil {
		return fmt.Errorf("cannot watch part sizes: %s", strings.Join(wrong, "; "))
	}
	return nil
}

// Learned is a value that limits are learned from, or why it is not.
type Learned struct {
	Index    int64   `json:"index"`
	Value    float64 `json:"value"`
	SetAside string  `json:"set_aside,omitempty"` // the operator's reason; empty: it counts
}

// Monitor watches one size. Its memory is bounded, and its JSON is all of its
// state: a monitor read back goes on as if nothing had been between.
type Monitor struct {
	Settings Settings  `json:"settings"`
	Phase    Phase     `json:"phase"`
	N        int64     `json:"n"` // values observed since the beginning, resets included
	Limits   Limits    `json:"limits"`
	Learned  []Learned `json:"learned,omitempty"`
	Runs     Runs      `json:"runs"`
	Average  Average   `json:"average"`
	Sums     Sums      `json:"sums"`
	MRRecent float64   `json:"mr_recent"` // moving average of the moving range
	MRWide   int       `json:"mr_wide"`   // ranges in a row beyond their limit
}

// NewMonitor begins to learn limits.
func NewMonitor(s Settings) (*Monitor, error) {
	if err := s.Check(); err != nil {
		return nil, err
	}
	s.Rules = slices.Clone(s.Rules)
	return &Monitor{Settings: s, Phase: Learning}, nil
}

// Verdict is what is known after a value.
type Verdict struct {
	Phase   Phase
	Signals []Signal
	// Suggestion is nil when there is no signal.
	Suggestion *Suggestion
	// Missing is how many values limits still need; 0 once they hold.
	Missing int
}

// Observe takes the next value. Its cost does not depend on how many came before:
// while learning, no more than 100 are looked at. A value that is no size is
// refused, and leaves the monitor as it was.
func (m *Monitor) Observe(v float64) (Verdict, error) {
	if !usable(v) {
		return Verdict{}, fmt.Errorf("cannot take %g for a size: measure again", v)
	}
	index := m.N
	m.N++
	if m.Phase == Frozen {
		signals := m.judge(index, v)
		return Verdict{Phase: Frozen, Signals: signals, Suggestion: m.suggest(signals)}, nil
	}
	if len(m.Learned) == mostLearned {
		m.Learned = slices.Delete(m.Learned, 0, 1) // values out that nobody decided on: the oldest go
	}
	m.Learned = append(m.Learned, Learned{Index: index, Value: v})
	return m.settle(), nil
}

// settle freezes the limits when there are values enough and none of them lies
// outside. Otherwise it says what is missing, and which values lie outside.
func (m *Monitor) settle() Verdict {
	values, at := m.counted()
	missing := max(0, m.Settings.Learn-len(values))
	limits, err := LimitsOf(values, m.Settings.D2)
	if err != nil {
		return Verdict{Phase: Learning, Missing: missing}
	}
	m.Limits = limits
	var out []Signal
	for i, v := range values {
		if missing == 0 && (v > limits.UCL || v < limits.LCL) {
			out = append(out, Signal{Index: at[i], Rule: Beyond3, Side: sign(v - limits.Mean), Text: fmt.Sprintf(
				"value %d, %.6g, lies outside %.6g to %.6g, the limits learned with it: set it aside with a reason, or accept it", at[i]+1, v, limits.LCL, limits.UCL)})
		}
	}
	if missing == 0 && out == nil {
		m.freeze(limits)
	}
	v := Verdict{Phase: m.Phase, Signals: out, Missing: missing}
	if out != nil {
		v.Suggestion = &Suggestion{Do: Recheck, Text: "measure again the parts named, and look what was different when they were made"}
	}
	return v
}

// counted returns the values that limits are learned from, with their indices.
func (m *Monitor) counted() (values []float64, at []int64) {
	for _, l := range m.Learned {
		if l.SetAside == "" {
			values, at = append(values, l.Value), append(at, l.Index)
		}
	}
	return values, at
}

// SetAside leaves a value out of the learning, for a reason that is kept.
func (m *Monitor) SetAside(index int64, reason string) (Verdict, error) {
	if strings.TrimSpace(reason) == "" {
		return Verdict{}, fmt.Errorf("cannot set value %d aside: a reason in words is needed", index+1)
	}
	i := slices.IndexFunc(m.Learned, func(l Learned) bool { return l.Index == index })
	if m.Phase != Learning || i < 0 {
		return Verdict{}, fmt.Errorf("cannot set value %d aside: limits are not being learned from it", index+1)
	}
	m.Learned[i].SetAside = reason
	return m.settle(), nil
}

// Accept freezes limits that some of their own values lie outside of. It needs as
// many values as the settings ask for.
func (m *Monitor) Accept() error {
	values, _ := m.counted()
	if m.Phase != Learning || len(values) < m.Settings.Learn {
		return fmt.Errorf("cannot accept limits: %w: %d of %d while %s", ErrFew, len(values), m.Settings.Learn, m.Phase)
	}
	limits, err := LimitsOf(values, m.Settings.D2)
	if err != nil {
		return err
	}
	m.freeze(limits)
	return nil
}

// Freeze judges all further values by limits known from elsewhere.
func (m *Monitor) Freeze(l Limits) error {
	if !usable(l.Mean) || !(l.Sigma >= 0) || !usable(l.Sigma) || !(l.MRUCL >= 0) {
		return fmt.Errorf("cannot use limits: mean %g and standard deviation %g are not both finite", l.Mean, l.Sigma)
	}
	m.freeze(l)
	return nil
}

func (m *Monitor) freeze(l Limits) {
	s := m.Settings
	m.Phase, m.Limits, m.Runs, m.MRRecent, m.MRWide = Frozen, l, Runs{}, l.MRBar, 0
	m.Average = Average{Weight: s.AverageWeight, Width: s.AverageWidth, Target: l.Mean, Sigma: l.Sigma, At: l.Mean, Decay: 1}
	m.Sums = Sums{Target: l.Mean, Slack: s.SumSlack * l.Sigma, Bound: s.SumBound * l.Sigma}
}

// Reset begins to learn anew, as after a change of scale or a realignment: limits
// from before would judge another process. Indices go on.
func (m *Monitor) Reset() {
	*m = Monitor{Settings: m.Settings, Phase: Learning, N: m.N}
}

// judge applies the rules of the settings to a value under frozen limits.
func (m *Monitor) judge(index int64, v float64) []Signal {
	moved, first := math.Abs(v-m.Runs.Last), !m.Runs.HasValues
	broken := m.Runs.observe(v, m.Limits)
	if !first {
		m.MRRecent += 0.2 * (moved - m.MRRecent)
		m.MRWide++
		if moved <= m.Limits.MRUCL {
			m.MRWide = 0
		} else {
			broken[Range] = 0
		}
	}
	if side := m.Average.Observe(v); side != 0 {
		broken[EWMA] = side
	}
	if side := m.Sums.Observe(v); side != 0 {
		broken[CUSUM] = side
	}
	var out []Signal
	for _, r := range Rules() {
		if side, is := broken[r]; is && slices.Contains(m.Settings.Rules, r) {
			out = append(out, Signal{Index: index, Rule: r, Side: side, Text: m.sentence(r, side, index, v, moved)})
		}
	}
	return out
}
