package quality

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Phase is whether limits are being learned or frozen.
type Phase string

// The two phases of a chart. While learning, values are judged together by limits from themselves;
// later each by the frozen limits.
const (
	Learning Phase = "learning"
	Frozen   Phase = "frozen"
)

// maxLearned limits the values kept while limits are being learned.
const maxLearned = 100

// Settings configure how values are judged.
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
	// Cautious limits allow for the uncertainty from few values, and are not set while the values
	// seem to have changed their level.
	Cautious bool `json:"cautious,omitempty"`
}

// DefaultSettings suit parts that are measured one or a few a visit. A false alarm costs a walk to
// the machine, so they use the rules that find most, with limits that allow for the few values they
// are learned from.
func DefaultSettings() Settings {
	s := TextbookSettings()
	s.Rules, s.Cautious = []Rule{Outside, ChangePoint}, true
	return s
}

// TextbookSettings are those of textbooks, for a table that is judged once: limits of three
// standard deviations (EWMA 0.2 and 3; CUSUM 0.5 and 5; from memory).
func TextbookSettings() Settings {
	return Settings{Rules: append(ZoneRules(), Range), Learn: 20, D2: ExactD2,
		AverageWeight: 0.2, AverageWidth: 3, SumSlack: 0.5, SumBound: 5}
}

// Check returns everything that is wrong with the settings.
func (s Settings) Check() error {
	var wrong []string
	if s.Learn < 2 || s.Learn > maxLearned {
		wrong = append(wrong, fmt.Sprintf("limits are learned from 2 to %d values, not %d", maxLearned, s.Learn))
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

// Learned is a value for learning limits, or why it is excluded.
type Learned struct {
	Index    int64   `json:"index"`
	Value    float64 `json:"value"`
	SetAside string  `json:"set_aside,omitempty"` // the operator's reason; empty: it counts
}

// Monitor watches one size. Its memory is bounded, and its JSON is all of its state: a restored
// monitor continues as if nothing had happened.
type Monitor struct {
	Settings Settings  `json:"settings"`
	Phase    Phase     `json:"phase"`
	N        int64     `json:"n"` // values observed since the beginning, resets included
	Limits   Limits    `json:"limits"`
	Learned  []Learned `json:"learned,omitempty"`
	// Missing and SteppedAt are those of the newest verdict, see there.
	Missing   int       `json:"missing,omitempty"`
	SteppedAt int64     `json:"stepped_at,omitempty"`
	Later     []Learned `json:"later,omitempty"` // later values that may refine the limits
	// Base is how many of the values learned from a change of level is looked for behind, and
	// Recent are those since, the newest ones; Changed is the first of another level, once one
	// was found, by ChangedBy.
	Base      int       `json:"base,omitempty"`
	Recent    []float64 `json:"recent,omitempty"`
	Changed   int64     `json:"changed,omitempty"`
	ChangedBy float64   `json:"changed_by,omitempty"`
	Runs      Runs      `json:"runs"`
	Average   Average   `json:"average"`
	Sums      Sums      `json:"sums"`
	MRRecent  float64   `json:"mr_recent"` // moving average of the moving range
	MRWide    int       `json:"mr_wide"`   // ranges in a row beyond their limit
}

// NewMonitor begins to learn limits.
func NewMonitor(s Settings) (*Monitor, error) {
	if err := s.Check(); err != nil {
		return nil, err
	}
	s.Rules = slices.Clone(s.Rules)
	return &Monitor{Settings: s, Phase: Learning, Missing: s.Learn}, nil
}

// Verdict is the result of a value.
type Verdict struct {
	Phase   Phase
	Signals []Signal
	// Suggestion is nil when there is no signal.
	Suggestion *Suggestion
	// Missing is how many values limits still need; 0 once they hold. SteppedAt is the first
	// value of a level that seems another than that before, from which on they are learned; 0
	// for none.
	Missing   int
	SteppedAt int64
	// Remark names a value that stands out without being a signal: it should be measured again.
	Remark string
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
		signals, remark := m.judge(index, v), ""
		if l := m.Limits; m.Settings.Cautious && signals == nil && math.Abs(v-l.Mean) > notedWidth*l.Sigma*math.Sqrt(1+l.MeanError) {
			remark = fmt.Sprintf("value %d, %.6g, stands out from the others, whose mean is %.6g: measure that part again", index+1, v, l.Mean)
		}
		if m.Settings.Cautious {
			m.refine(index, v, signals != nil)
		}
		return Verdict{Phase: Frozen, Signals: signals, Suggestion: m.suggest(signals), Remark: remark}, nil
	}
	if len(m.Learned) == maxLearned {
		m.Learned = slices.Delete(m.Learned, 0, 1) // values out that nobody decided on: the oldest go
	}
	m.Learned = append(m.Learned, Learned{Index: index, Value: v})
	return m.settle(), nil
}

// What values that limits are learned from may show.
const (
	doubtful  = 2.9 // standard errors between two levels from which on the limits wait
	stepped   = 8.0 // from which on they are called out
	longLearn = 2   // times the configured number of values, after which limits no longer wait
	refined   = 60  // values after which limits are final
	laterBy   = 20  // values without a signal before one is learned from
	standsOut = 8.5 // standard deviations of the others by which one value stands out
)

// refine sets the limits again by values that came after those they were learned from, each
// once ten more have come without a signal: so a change is found before it is learned.
func (m *Monitor) refine(index int64, v float64, signal bool) {
	if signal {
		m.Later = nil
		return
	}
	if len(m.Learned) == 0 || len(m.Learned) >= refined {
		return
	}
	m.Later = append(m.Later, Learned{Index: index, Value: v})
	if len(m.Later) <= laterBy {
		return
	}
	m.Learned, m.Later = append(m.Learned, m.Later[0]), slices.Delete(m.Later, 0, 1)
	values, _ := m.counted()
	l, err := LimitsOf(values, m.Settings.D2)
	if err != nil {
		return // cannot happen: these were accepted
	}
	m.Limits = l.cautious(values)
	m.Average.Target, m.Average.Sigma = l.Mean, m.Limits.Sigma
	m.Sums.Target, m.Sums.Slack, m.Sums.Bound = l.Mean, m.Settings.SumSlack*m.Limits.Sigma, m.Settings.SumBound*m.Limits.Sigma
}

// settle freezes the limits when there are values enough and nothing stands against it.
// Otherwise it says what is missing, and what that is.
func (m *Monitor) settle() Verdict {
	v := m.settled()
	m.Missing, m.SteppedAt = v.Missing, v.SteppedAt
	return v
}

func (m *Monitor) settled() Verdict {
	values, at := m.counted()
	missing := max(0, m.Settings.Learn-len(values))
	limits, err := LimitsOf(values, m.Settings.D2)
	if err != nil {
		return Verdict{Phase: Learning, Missing: missing}
	}
	if m.Settings.Cautious {
		limits = limits.cautious(values)
	}
	m.Limits = limits
	if missing > 0 {
		return Verdict{Phase: m.Phase, Missing: missing}
	}
	v := Verdict{Phase: Learning}
	if m.Settings.Cautious {
		v.Signals = m.strange(values, at)
	} else {
		v.Signals = m.outside(values, at)
	}
	if v.Signals != nil {
		v.Suggestion = &Suggestion{Do: Recheck, Text: "measure again the parts named, and look what was different when they were made"}
		return v
	}
	if k, away, _ := step(values, leastLevel, followsMore, 0); m.Settings.Cautious && away > doubtful && len(values) < longLearn*m.Settings.Learn {
		if len(values)-k < m.Settings.Learn {
			v.Missing, v.SteppedAt = m.Settings.Learn-(len(values)-k), at[k]
			return v
		}
		m.Learned = slices.DeleteFunc(m.Learned, func(l Learned) bool { return l.Index < at[k] })
		return m.settled()
	}
	m.freeze(limits)
	v.Phase = m.Phase
	return v
}

const remedyInWords = "set it aside with a reason, or accept it"

// outside finds values beyond the limits that were learned from them.
func (m *Monitor) outside(values []float64, at []int64) (out []Signal) {
	l := m.Limits
	for i, v := range values {
		if v > l.UCL || v < l.LCL {
			out = append(out, Signal{Index: at[i], From: at[i], Rule: Beyond3, Side: sign(v - l.Mean), Text: fmt.Sprintf(
				"value %d, %.6g, lies outside %.6g to %.6g, the limits learned with it: %s", at[i]+1, v, l.LCL, l.UCL, remedyInWords)})
		}
	}
	return out
}

// strange finds values that stand out from all others, and a plain change of level.
func (m *Monitor) strange(values []float64, at []int64) (out []Signal) {
	all, floor := sumOf(values), stepScatter*Resolution(values)
	for i, v := range values {
		// Without the value itself, which would hide in a deviation that it has made.
		d := (v - all.mean) * all.n / (all.n - 1)
		squares := all.squares - d*(v-all.mean)
		sd := math.Max(math.Sqrt(math.Max(0, squares)/(all.n-2)), floor)
		if math.Abs(d) > standsOut*sd*math.Sqrt(1+1/(all.n-1)) {
			out = append(out, Signal{Index: at[i], From: at[i], Rule: Outside, Side: sign(d), Text: fmt.Sprintf(
				"value %d, %.6g, stands out from the others, whose mean is %.6g: %s", at[i]+1, v, v-d, remedyInWords)})
		}
	}
	if k, away, moved := step(values, leastLevel, followsMore, 0); out == nil && away > stepped {
		out = append(out, Signal{Index: at[k], From: at[k], Rule: EightOneSide, Side: sign(moved), Text: fmt.Sprintf(
			"from value %d on the level is another by %+.3g: set the values before aside with a reason, or accept them", at[k]+1, moved)})
	}
	return out
}

// counted returns the values for learning limits, with their indices.
func (m *Monitor) counted() (values []float64, at []int64) {
	for _, l := range m.Learned {
		if l.SetAside == "" {
			values, at = append(values, l.Value), append(at, l.Index)
		}
	}
	return values, at
}

// SetAside excludes a value from learning, with the reason.
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

// Copy returns an independent monitor with the same state.
func (m *Monitor) Copy() (*Monitor, error) {
	text, err := json.Marshal(m)
	if err != nil {
		return nil, err
	}
	var c Monitor
	return &c, json.Unmarshal(text, &c)
}

// ApplyDecision sets values, by their numbers from 1, aside for a reason, and accepts the others if
// they are to be. It returns what still stands against the limits.
func ApplyDecision(m *Monitor, aside []int64, reason string, accept bool) (texts []string) {
	var v Verdict
	for _, n := range aside {
		if now, err := m.SetAside(n-1, reason); err == nil {
			v = now
		}
	}
	if accept && m.Accept() == nil {
		return nil
	}
	for _, s := range v.Signals {
		texts = append(texts, s.Text)
	}
	return texts
}

// Accept freezes limits although some of their own values are outside. It needs as many values as
// the settings require.
func (m *Monitor) Accept() error {
	values, _ := m.counted()
	if m.Phase != Learning || len(values) < m.Settings.Learn {
		return fmt.Errorf("cannot accept limits: %w: %d of %d while %s", ErrFew, len(values), m.Settings.Learn, m.Phase)
	}
	limits, err := LimitsOf(values, m.Settings.D2)
	if err != nil {
		return err
	}
	if m.Settings.Cautious {
		limits = limits.cautious(values)
	}
	m.freeze(limits)
	return nil
}

// Freeze sets limits known from elsewhere for all further values.
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
	values, _ := m.counted()
	m.Base, m.Recent, m.Changed, m.ChangedBy = len(values), nil, 0, 0
	m.Average = Average{Weight: s.AverageWeight, Width: s.AverageWidth, Target: l.Mean, Sigma: l.Sigma, At: l.Mean, Decay: 1}
	m.Sums = Sums{Target: l.Mean, Slack: s.SumSlack * l.Sigma, Bound: s.SumBound * l.Sigma}
}

// Reset starts learning again, as after a change of scale or a realignment: earlier limits would
// judge another process. Indices continue.
func (m *Monitor) Reset() {
	*m = Monitor{Settings: m.Settings, Phase: Learning, N: m.N, Missing: m.Settings.Learn}
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
	// A value that stands out is a signal itself, and must not affect those around it.
	calm := v
	if m.Settings.Cautious {
		most := reach * m.Limits.Sigma
		calm = math.Max(m.Limits.Mean-most, math.Min(m.Limits.Mean+most, v))
	}
	if side := m.Average.Observe(calm); side != 0 {
		broken[EWMA] = side
	}
	if side := m.Sums.Observe(v); side != 0 {
		broken[CUSUM] = side
	}
	if side := m.changes(index, calm); side != 0 {
		broken[ChangePoint] = side
	}
	var out []Signal
	for _, r := range Rules() {
		if side, is := broken[r]; is && slices.Contains(m.Settings.Rules, r) {
			out = append(out, Signal{Index: index, From: m.from(r, index), Rule: r, Side: side, Text: m.sentence(r, side, index, v, moved)})
		}
	}
	return out
}

// from is the index of the first value that a signal speaks of.
func (m *Monitor) from(r Rule, index int64) int64 {
	switch r {
	case ChangePoint:
		return m.Changed
	case EightOneSide:
		return index - int64(abs(m.Runs.Side)) + 1
	case Trend:
		return index - int64(abs(m.Runs.Steps))
	}
	return index
}

// changes looks for a change of level among the values that limits were learned from and all
// since: a likelihood ratio over all moments at which it can have come, with mean and standard
// deviation unknown (Hawkins, Qiu and Kang 2003, The Changepoint Model for Statistical Process
// Control), so that the error of limits from few values costs less. It returns the side.
func (m *Monitor) changes(index int64, v float64) int {
	if !slices.Contains(m.Settings.Rules, ChangePoint) {
		return 0
	}
	if len(m.Recent) == maxRecent {
		m.Recent = slices.Delete(m.Recent, 0, 1)
	}
	m.Recent = append(m.Recent, v)
	values, _ := m.counted()
	values = append(values[:m.Base], m.Recent...)
	k, away, moved := step(values, changeLeast, changeMore, changeDoubt)
	if away <= changed {
		return 0
	}
	m.Changed, m.ChangedBy = index+1-int64(len(values)-k), moved
	return sign(moved)
}
