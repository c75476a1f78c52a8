package heat

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// newton is Newton's law of cooling in closed form (any textbook of heat transfer):
// T(t) = End + (T0 - End) exp(-t/tau).
func newton(end, t0, tau, t float64) float64 { return end + (t0-end)*math.Exp(-t/tau) }

// inverse is the same solved for t.
func inverse(end, t0, tau, c float64) float64 { return tau * math.Log((t0-end)/(c-end)) }

// body is a first-order heater that a test drives.
type body struct {
	ambient, top, tau, coolTau float64 // top: what it tends to fully on
	step                       float64 // scale of its sensor
	every                      time.Duration
	noise                      func() float64
	duty                       bool

	now time.Duration
	c   float64
	l   *Learner
	n   int // spans learned
}

// warm drives the body fully on until it is at target, then off until it is at to.
func (b *body) cycle(target, to float64) {
	for b.c < target {
		b.tick(b.top, b.tau, target, 127)
	}
	b.c = target
	for range 20 {
		b.tick(target, b.tau, target, 40)
	}
	for b.c > to {
		b.tick(b.ambient, b.coolTau, 0, 0)
	}
}

func (b *body) tick(end, tau, target, duty float64) {
	r := Reading{At: b.now, C: b.c, TargetC: target, Duty: duty, HasDuty: b.duty}
	if b.noise != nil {
		r.C += b.noise()
	}
	r.C = math.Round(r.C/b.step) * b.step
	if b.l.Observe(r) {
		b.n++
	}
	b.now += b.every
	b.c = newton(end, b.c, tau, b.every.Seconds())
}

func newBody() *body {
	return &body{ambient: 22, top: 355, tau: 150, coolTau: 150, step: 0.01, every: time.Second, c: 22, l: NewLearner(Model{})}
}

func within(t *testing.T, what string, got time.Duration, ok bool, wantS, share float64) {
	t.Helper()
	if !ok || math.Abs(got.Seconds()-wantS) > share*wantS {
		t.Errorf("%s takes %v (known: %v), want %.1f s within %.1f %%", what, got, ok, wantS, 100*share)
	}
}

func TestLearnsNewtonsLaw(t *testing.T) {
	b := newBody()
	b.duty = true
	m := b.l.Model()
	if _, ok := m.HeatUp(22, 200); ok {
		t.Error("a model that has seen nothing knows a heat-up")
	}
	b.cycle(215, 40)
	m = b.l.Model()
	if _, ok := m.HeatUp(22, 200); ok {
		t.Errorf("known after one span; %d are asked for", EnoughSpans)
	}
	b.cycle(215, 40)
	b.cycle(215, 40)
	m = b.l.Model()
	d, ok := m.HeatUp(30, 210)
	within(t, "heat-up", d, ok, inverse(355, 30, 150, 210), 0.005)
	w, ok := m.Cool(215, 45)
	within(t, "cooling", w.Mid, ok, inverse(22, 215, 150, 45), 0.005)
	if got, ok := m.Cooled(215, 100*time.Second); !ok || math.Abs(got-newton(22, 215, 150, 100)) > 0.5 {
		t.Errorf("cooled to %.2f, want %.2f", got, newton(22, 215, 150, 100))
	}
	if _, ok := m.HeatUp(30, 354.9); ok {
		t.Error("a target at what full power can just hold is said to be reached")
	}
	if _, ok := m.HeatUp(30, 300); ok {
		t.Error("a target far above what was seen is answered")
	}
	for _, c := range []float64{22, 10} {
		if w, ok := m.Cool(200, c); ok {
			t.Errorf("cooling to %.0f °C in a room of 22 °C is said to take %v", c, w)
		}
	}
	if d, ok := m.HeatUp(100, 90); !ok || d != 0 {
		t.Error("a heater that is hot enough needs time")
	}
}

func TestDrivesAreLearnedApart(t *testing.T) {
	b := newBody()
	b.coolTau = 60 // a fan runs while it cools
	for range 4 {
		b.cycle(215, 40)
	}
	m := b.l.Model()
	d, ok := m.HeatUp(30, 200)
	within(t, "heat-up", d, ok, inverse(355, 30, 150, 200), 0.01)
	w, ok := m.Cool(200, 50)
	within(t, "cooling", w.Mid, ok, inverse(22, 200, 60, 50), 0.01)
}

func TestReportsOfAnyKind(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBody()
		b.tau = rapid.Float64Range(150, 600).Draw(rt, "tau")
		b.coolTau = rapid.Float64Range(100, 600).Draw(rt, "cooling tau")
		b.top = rapid.Float64Range(260, 500).Draw(rt, "top")
		b.step = rapid.SampledFrom([]float64{0.01, 0.1, 0.25, 1}).Draw(rt, "scale")
		b.every = rapid.SampledFrom([]time.Duration{500 * time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second}).Draw(rt, "every")
		b.duty = rapid.Bool().Draw(rt, "duty")
		for range 3 {
			b.cycle(200, 45)
		}
		m := b.l.Model()
		d, ok := m.HeatUp(40, 195)
		want := inverse(b.top, 40, b.tau, 195)
		if !ok || math.Abs(d.Seconds()-want) > 0.05*want+2 {
			rt.Fatalf("heat-up %v (%v), want %.1f s", d, ok, want)
		}
		w, ok := m.Cool(200, 50)
		want = inverse(22, 200, b.coolTau, 50)
		if !ok || math.Abs(w.Mid.Seconds()-want) > 0.05*want+2 {
			rt.Fatalf("cooling %v (%v), want %.1f s", w, ok, want)
		}
	})
}

func TestAnyReadingsLeaveAModelThatHolds(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		l := NewLearner(Model{})
		at := time.Duration(0)
		for range rapid.IntRange(0, 300).Draw(rt, "readings") {
			at += time.Duration(rapid.Int64Range(-1e9, 20e9).Draw(rt, "step"))
			c := rapid.OneOf(rapid.Float64Range(0, 300), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), -300, 1e9})).Draw(rt, "C")
			l.Observe(Reading{At: at, C: c, TargetC: rapid.SampledFrom([]float64{0, 60, 215, math.NaN()}).Draw(rt, "target"),
				Duty: rapid.SampledFrom([]float64{0, 64, 127, math.NaN()}).Draw(rt, "duty"), HasDuty: rapid.Bool().Draw(rt, "has")})
		}
		m := l.Model()
		if !m.valid() {
			rt.Fatalf("%+v", m)
		}
		if d, ok := m.HeatUp(20, 200); ok && d < 0 {
			rt.Fatalf("a heat-up takes %v", d)
		}
	})
}

func TestAChangedMachineIsFollowed(t *testing.T) {
	b := newBody()
	for range 20 {
		b.cycle(215, 40)
	}
	b.tau, b.top = 220, 320 // a weaker heater, a larger block
	for range 8 {
		b.cycle(215, 40)
	}
	m := b.l.Model()
	d, ok := m.HeatUp(40, 200)
	within(t, "heat-up of the changed machine", d, ok, inverse(320, 40, 220, 200), 0.05)
}

func TestDeviationCountsStandardDeviations(t *testing.T) {
	b := newBody()
	seed := uint64(1)
	b.noise = func() float64 { // uniform within 0.5: standard deviation 0.289
		seed = seed*6364136223846793005 + 1442695040888963407
		return float64(seed>>11)/(1<<53) - 0.5
	}
	for range 6 {
		b.cycle(215, 40)
	}
	m := b.l.Model()
	l, ok := m.Warming.warmingLaw(m.AmbientC, EnoughSpans)
	if !ok || math.Abs(l.NoiseC-0.289) > 0.05 {
		t.Fatalf("noise %.3f, want 0.289 = 1/sqrt(12), the uniform distribution's", l.NoiseC)
	}
	right := newton(355, 60, 150, 20)
	if z, ok := m.Deviation(Full, 60, 20*time.Second, right); !ok || math.Abs(z) > 1 {
		t.Errorf("a healthy reading deviates by %.2f", z)
	}
	if z, ok := m.Deviation(Full, 60, 20*time.Second, 60); !ok || z > -20 {
		t.Errorf("a reading that does not rise deviates by %.2f", z)
	}
	if _, ok := m.Deviation(Part, 60, time.Second, 60); ok {
		t.Error("a heater that holds its target is judged")
	}
}

func TestAModelGoesOnFromItsText(t *testing.T) {
	b := newBody()
	b.cycle(215, 40)
	b.cycle(215, 40)
	text, err := json.Marshal(b.l.Model())
	if err != nil {
		t.Fatal(err)
	}
	var m Model
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	want := b.l.Model()
	want.Own.Fresh = false // the room may be another by now
	if got := NewLearner(m).Model(); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	m.Warming.Sums.TT = math.NaN()
	if got := NewLearner(m).Model(); got != (Model{}) {
		t.Errorf("a damaged model is gone on with: %+v", got)
	}
}

func TestObserveAllocatesNothing(t *testing.T) {
	l := NewLearner(Model{})
	at := time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() {
		at += time.Second
		l.Observe(Reading{At: at, C: 20 + at.Seconds()/10, TargetC: 250})
	}); n > 0 {
		t.Errorf("%v allocations a reading", n)
	}
}
