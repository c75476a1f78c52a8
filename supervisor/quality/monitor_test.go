package quality_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"beltwarden/supervisor/quality"
)

// watch returns a monitor with limits of mean 0 and standard deviation 1.
func watch(t testing.TB, rules ...quality.Rule) *quality.Monitor {
	t.Helper()
	s := quality.DefaultSettings()
	s.Rules = rules
	m, err := quality.NewMonitor(s)
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Freeze(quality.Limits{Sigma: 1, UCL: 3, LCL: -3, MRBar: quality.ExactD2, MRUCL: 3.6859}); err != nil {
		t.Fatal(err)
	}
	return m
}

// Each row breaks its rule at its last value and not before, and the mirrored row
// on the other side.
func TestEachRule(t *testing.T) {
	rows := []struct {
		rule   quality.Rule
		values []float64
		side   int
	}{
		{quality.Beyond3, []float64{0, 2.9, -2.9, 3.01}, 1},
		{quality.TwoOfThree, []float64{2.1, -1, 0, 2.1, 0, 2.2}, 1},
		{quality.FourOfFive, []float64{1.1, 1.1, -1.1, 1.1, 0, 1.1, 1.1, 1.2}, 1},
		{quality.EightOneSide, []float64{.1, .2, -.1, .1, .2, .1, .2, .1, .2, .1, .2}, 1},
		{quality.Trend, []float64{0, -.5, -.4, -.3, -.2, -.1, 0}, 1},
		{quality.Alternating, []float64{0, .1, .2, 0, .2, 0, .2, 0, .2, 0, .2, 0, .2, 0, .2}, 0},
		{quality.Range, []float64{0, 2, -1.6, 2.2}, 0},
		{quality.EWMA, []float64{.9, .9, .9, .9, .9, .9, .9, 1.4, 2}, 1},
		{quality.CUSUM, []float64{1.5, 1.5, 1.5, 1.5, 1.5, 1.5}, 1},
		{quality.ChangePoint, []float64{.1, 0, .2, .1, 0, -.1, 1.1, 1.2, 1, 1.3, 1.1, 1.2}, 1},
	}
	for _, r := range rows {
		for _, mirror := range []float64{1, -1} {
			m := watch(t, r.rule)
			for i, v := range r.values {
				got, err := m.Observe(v * mirror)
				if err != nil {
					t.Fatal(err)
				}
				if last := i == len(r.values)-1; (len(got.Signals) > 0) != last {
					t.Errorf("%s, %v times %v: value %d gives %+v", r.rule, r.values, mirror, i+1, got.Signals)
				} else if last {
					s := got.Signals[0]
					if s.Rule != r.rule || s.Index != int64(i) || s.Side != r.side*int(mirror) || !strings.Contains(s.Text, fmt.Sprint(i+1)) {
						t.Errorf("%s: %+v", r.rule, s)
					}
				}
			}
		}
	}
	// Values on the mean end a run, equal neighbours a pattern.
	m := watch(t, quality.EightOneSide, quality.Trend, quality.Alternating)
	for i := range 40 {
		v := []float64{.1, .1, .1, .1, .1, .1, .1, 0}[i%8]
		if got, _ := m.Observe(v); got.Signals != nil {
			t.Errorf("value %d: %+v", i+1, got.Signals)
		}
	}
}

// Mean run lengths of the zone rules while nothing is wrong: 370.3983, 225.4384,
// 166.0545, 152.7301 and 91.7508 by Markov chain (the last printed as 91.75 by Champ
// and Woodall, Technometrics 29(4), 1987). A run length's standard deviation is about
// its mean, so that 4000 runs know it within 1.6 %; four of these are allowed.
func TestRunLengthsOfZoneRules(t *testing.T) {
	const runs = 4000
	rows := []struct {
		rules []quality.Rule
		want  float64
	}{
		{[]quality.Rule{quality.Beyond3}, 370.3983},
		{[]quality.Rule{quality.Beyond3, quality.TwoOfThree}, 225.4384},
		{[]quality.Rule{quality.Beyond3, quality.FourOfFive}, 166.0545},
		{[]quality.Rule{quality.Beyond3, quality.EightOneSide}, 152.7301},
		{quality.ZoneRules(), 91.7508},
	}
	limits := quality.Limits{Sigma: 1}
	for i, row := range rows {
		r := rand.New(rand.NewPCG(7, uint64(i)))
		total := 0
		for range runs {
			var state quality.Runs
			for n := 1; ; n++ {
				if quality.Broken(&state, r.NormFloat64(), limits, row.rules) {
					total += n
					break
				}
			}
		}
		near(t, fmt.Sprintf("mean run length of %v", row.rules), float64(total)/runs, row.want, 4*row.want/math.Sqrt(runs))
	}
}

func TestLearningNamesWhatLiesOutside(t *testing.T) {
	s := quality.DefaultSettings()
	s.Learn = 12
	m, err := quality.NewMonitor(s)
	if err != nil {
		t.Fatal(err)
	}
	values := []float64{20.00, 20.02, 19.99, 20.01, 20.00, 20.60, 20.01, 19.99, 20.00, 20.02, 20.01}
	for i, v := range values {
		got, err := m.Observe(v)
		if err != nil || got.Phase != quality.Learning || got.Missing != 12-i-1 || got.Signals != nil {
			t.Fatalf("value %d: %+v, %v", i+1, got, err)
		}
	}
	if err := m.Accept(); err == nil {
		t.Error("limits of too few values were accepted")
	}
	got, _ := m.Observe(20.00)
	if got.Phase != quality.Learning || len(got.Signals) != 1 || got.Signals[0].Index != 5 || got.Suggestion.Do != quality.Recheck {
		t.Fatalf("with a value outside: %+v", got)
	}
	if _, err := m.SetAside(5, "  "); err == nil {
		t.Error("a value was set aside without a reason")
	}
	if _, err := m.SetAside(77, "clip bent"); err == nil {
		t.Error("a value that is not there was set aside")
	}
	accepted := clone(t, m)
	if err := accepted.Accept(); err != nil || accepted.Phase != quality.Frozen || accepted.Limits.N != 12 {
		t.Errorf("accepted: %v, %+v", err, accepted)
	}
	got, err = m.SetAside(5, "clip bent when it was taken off")
	if err != nil || got.Missing != 1 {
		t.Fatalf("set aside: %+v, %v", got, err)
	}
	got, _ = m.Observe(20.01)
	if got.Phase != quality.Frozen || m.Limits.N != 12 || m.Limits.Mean > 20.02 || m.Learned[5].SetAside == "" {
		t.Fatalf("after one more: %+v, %+v", got, m)
	}
	before := m.Limits
	for range 50 {
		if _, err := m.Observe(20.3); err != nil {
			t.Fatal(err)
		}
	}
	if m.Limits != before {
		t.Error("frozen limits moved")
	}
	m.Reset()
	if m.Phase != quality.Learning || m.N != 63 || m.Learned != nil || m.Limits != (quality.Limits{}) {
		t.Errorf("after a reset: %+v", m)
	}
}

func TestSuggestionsCarryTheirEvidence(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	all := append(quality.ZoneRules(), quality.Range, quality.EWMA)
	for _, c := range []struct {
		name string
		next func(i int) float64
		want quality.Remedy
	}{
		{"one wild value", func(i int) float64 { return []float64{0, 6}[min(1, i/9)] + 0.5*r.NormFloat64() }, quality.Recheck},
		{"slow drift", func(i int) float64 { return 0.08*float64(i) + 0.5*r.NormFloat64() }, quality.Rescale},
		{"growing scatter", func(i int) float64 { return 3.5 * float64(1-2*(i%2)) * min(1, float64(i)/6) }, quality.Tension},
	} {
		m := watch(t, all...)
		var got *quality.Suggestion
		for i := 0; got == nil && i < 100; i++ {
			v, err := m.Observe(c.next(i))
			if err != nil {
				t.Fatal(err)
			}
			got = v.Suggestion
		}
		if got == nil || got.Do != c.want {
			t.Errorf("%s suggests %+v, want %s", c.name, got, c.want)
		}
		if got != nil && got.Do != quality.Recheck && !strings.Contains(got.Text, "learned") {
			t.Errorf("%s: no evidence in %q", c.name, got.Text)
		}
	}
}

// A monitor that went through JSON goes on as the one it was.
func TestMonitorSurvivesJSON(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := quality.DefaultSettings()
		s.Rules, s.Learn = quality.Rules(), rapid.IntRange(2, 12).Draw(rt, "learn")
		m, err := quality.NewMonitor(s)
		if err != nil {
			rt.Fatal(err)
		}
		for _, v := range rapid.SliceOfN(rapid.Float64Range(-5, 5), 1, 60).Draw(rt, "values") {
			twin := clone(t, m)
			a, err1 := m.Observe(v)
			b, err2 := twin.Observe(v)
			if err1 != nil || err2 != nil || !reflect.DeepEqual(a, b) {
				rt.Fatalf("%+v, %v; after JSON %+v, %v", a, err1, b, err2)
			}
		}
	})
}

func TestMonitorRefuses(t *testing.T) {
	m := watch(t, quality.Rules()...)
	before := *clone(t, m)
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e13} {
		if _, err := m.Observe(v); err == nil {
			t.Errorf("%g was taken for a size", v)
		}
	}
	if !reflect.DeepEqual(before, *clone(t, m)) {
		t.Error("a refused value changed the monitor")
	}
	bad := quality.Settings{Rules: []quality.Rule{"seven-in-a-blue-moon"}, Learn: 1, SumSlack: math.NaN()}
	err := bad.Check()
	for _, want := range []string{"seven-in-a-blue-moon", "2 to 100", "d2", "weight", "slack"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v does not tell of %q", err, want)
		}
	}
	if _, err := quality.ParseRules([]string{"ewma", "emwa", "trend"}); err == nil || !strings.Contains(err.Error(), `"emwa", "trend"`) {
		t.Errorf("unknown rules: %v", err)
	}
}

// While learning, memory is bounded even if nobody decides on a value outside.
func TestLearningIsBounded(t *testing.T) {
	m, err := quality.NewMonitor(quality.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	for i := range 5000 {
		v := 20 + 0.01*float64(i%3)
		if i%19 == 7 {
			v = 25
		}
		if _, err := m.Observe(v); err != nil {
			t.Fatal(err)
		}
	}
	if len(m.Learned) > 100 {
		t.Errorf("%d values are kept", len(m.Learned))
	}
}

func clone(t testing.TB, m *quality.Monitor) *quality.Monitor {
	t.Helper()
	text, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var twin quality.Monitor
	if err := json.Unmarshal(text, &twin); err != nil {
		t.Fatal(err)
	}
	return &twin
}

// Cost must not grow with what was observed before.
func BenchmarkObserve(b *testing.B) {
	for _, before := range []int{100, 10_000, 1_000_000} {
		b.Run(fmt.Sprintf("after=%d", before), func(b *testing.B) {
			m := watch(b, quality.Rules()...)
			for i := range before {
				_, _ = m.Observe(float64(i%3) - 1)
			}
			b.ReportAllocs()
			b.ResetTimer()
			for i := 0; b.Loop(); i++ {
				if _, err := m.Observe(float64(i%3) - 1); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// Limits wait while the first values lie on two levels, and are then learned from the second.
func TestLimitsAreNotLearnedOverAStep(t *testing.T) {
	m, err := quality.NewMonitor(quality.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	wave := []float64{0.02, -0.01, 0, 0.01, -0.02, 0.01, 0.02, -0.02, 0, -0.01}
	level := func(about float64, of int) (v quality.Verdict) {
		for i := range of {
			if v, err = m.Observe(about + wave[i%len(wave)]); err != nil || v.Signals != nil {
				t.Fatalf("%+v, %v", v, err)
			}
		}
		return v
	}
	level(20, 10)
	if v := level(20.04, 10); m.Phase != quality.Learning || v.SteppedAt != 10 || v.Missing != 10 || m.Missing != 10 {
		t.Fatalf("after a step: %s, %+v", m.Phase, v)
	}
	if level(20.04, 10); m.Phase != quality.Frozen || m.Learned[0].Index != 10 || math.Abs(m.Limits.Mean-20.04) > 1e-9 {
		t.Errorf("after ten more: %s, %+v", m.Phase, m.Limits)
	}
}

// Values that are read in coarse steps scatter by those steps at the least.
func TestCoarseReadingsAreNoSignal(t *testing.T) {
	m, err := quality.NewMonitor(quality.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	said := func(v float64) int {
		verdict, err := m.Observe(v)
		if err != nil {
			t.Fatal(err)
		}
		return len(verdict.Signals)
	}
	for range 20 {
		if said(20.1) > 0 {
			t.Fatal("a signal of equal values")
		}
	}
	if m.Phase != quality.Frozen || math.Abs(m.Limits.Sigma-0.05) > 1e-12 {
		t.Fatalf("%s, %+v", m.Phase, m.Limits)
	}
	if said(20.2) > 0 || said(20.1) > 0 || said(20) > 0 {
		t.Error("one step of the caliper is a signal")
	}
	if said(20.5) == 0 {
		t.Error("four steps are none")
	}
}
