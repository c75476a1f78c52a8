package heat

import (
	"math"
	"testing"
	"time"
)

// fed gives a learner one reading every so often, of what at returns, and ends the span.
func fed(l *Learner, n int, every time.Duration, targetC float64, at func(s float64) float64) {
	from := l.last.At + every
	for i := range n {
		d := time.Duration(i) * every
		l.Observe(Reading{At: from + d, C: at(d.Seconds()), TargetC: targetC})
	}
	l.Observe(Reading{At: l.last.At + time.Hour, C: 22})
}

func TestAStuckSensorTeachesNothing(t *testing.T) {
	l := NewLearner(Model{})
	fed(l, 2, time.Second, 0, func(float64) float64 { return 22 })
	fed(l, 400, time.Second, 0, func(s float64) float64 { return max(30, newton(22, 200, 40, s)) })
	if m := l.Model(); m.Cooling.Spans != 0 {
		t.Errorf("learned from a sensor that stuck at 30 °C: %+v", m.Cooling)
	}
	fed(l, 400, time.Second, 0, func(s float64) float64 { return max(23, newton(22, 200, 40, s)) })
	if m := l.Model(); m.Cooling.Spans != 1 {
		t.Error("a body that stands still near ambient is taken for a stuck sensor")
	}
}

func TestSilenceIsNotGuessed(t *testing.T) {
	slow := func(s float64) float64 { return newton(22, 100, 2000, s) }
	l := NewLearner(Model{})
	fed(l, 60, 40*time.Second, 0, slow)
	if m := l.Model(); m.Cooling.Spans != 0 {
		t.Error("learned over silences of 40 s")
	}
	fed(l, 120, 20*time.Second, 0, slow)
	if m := l.Model(); m.Cooling.Spans != 1 {
		t.Error("nothing is learned of a reading every 20 s")
	}
}

func TestDutyTellsFullDrive(t *testing.T) {
	b := newBody()
	b.duty = true
	for range 3 {
		for b.c < 150 {
			b.tick(355, 150, 250, 127)
		}
		for b.c < 180 { // held back, far below the target
			b.tick(200, 150, 250, 64)
		}
		for b.c > 40 {
			b.tick(22, 150, 0, 0)
		}
	}
	m := b.l.Model()
	d, ok := m.HeatUp(40, 150)
	within(t, "heat-up fully on", d, ok, inverse(355, 40, 150, 150), 0.005)
}

func TestALateSensorIsWaitedFor(t *testing.T) {
	b := newBody()
	for range 3 {
		for range 60 { // the element is on, the sensor has not felt it yet
			b.tick(b.c+0.01, 1e9, 215, 127)
		}
		b.cycle(215, 40)
	}
	m := b.l.Model()
	d, ok := m.HeatUp(50, 200)
	within(t, "heat-up once it shows", d, ok, inverse(355, 50, 150, 200), 0.005)
}

func TestAmbientIsTheColdestUntilItIsQuiet(t *testing.T) {
	l := NewLearner(Model{})
	is := func(want float64, has bool) {
		t.Helper()
		if m := l.Model(); m.AmbientC != want || m.HasAmbient != has {
			t.Errorf("ambient is %.1f °C (known: %v), want %.1f (%v)", m.AmbientC, m.HasAmbient, want, has)
		}
	}
	at := time.Duration(0)
	feed := func(c, target float64, n int) {
		for range n {
			at += 2 * time.Second
			l.Observe(Reading{At: at, C: c, TargetC: target})
		}
	}
	feed(80, 0, 1000) // a room is not so warm: the sensor is stuck, or the body still hot
	is(0, false)
	feed(30, 60, 10)
	is(0, false)
	feed(24, 0, 1)
	is(24, true)
	feed(22, 0, 1)
	is(22, true)
	feed(26, 0, 60) // two minutes do not show that the room is warmer
	is(22, true)
	feed(26, 0, 300)
	is(26, true)
}

func TestNothingIsLearnedOfFaults(t *testing.T) {
	for name, f := range map[string]func(i int, c float64) (float64, time.Duration){
		"stuck from the start": func(int, float64) (float64, time.Duration) { return 22, time.Second },
		"stuck half way": func(_ int, c float64) (float64, time.Duration) {
			return min(c, 110), time.Second
		},
		"silent too long": func(_ int, c float64) (float64, time.Duration) { return c, 40 * time.Second },
	} {
		l := NewLearner(Model{})
		at := time.Duration(0)
		for range 3 {
			for i := range 140 {
				c, step := f(i, newton(355, 22, 150, at.Seconds()-math.Floor(at.Seconds()/1e6)*1e6))
				at += step
				if l.Observe(Reading{At: at, C: c, TargetC: 300}) {
					t.Errorf("%s: learned from it", name)
				}
			}
			at += time.Hour
			if l.Observe(Reading{At: at, C: 22}) {
				t.Errorf("%s: learned from it", name)
			}
			at = time.Duration(math.Ceil(at.Seconds()/1e6)) * 1e6 * time.Second
		}
	}
}

func TestAFanThatStartsHalfWayIsLeftOut(t *testing.T) {
	b := newBody()
	for range 3 {
		b.cycle(215, 40)
	}
	b.tick(355, 150, 215, 127) // ends the cooling before
	m := b.l.Model()
	b.cycle(215, 180)
	for b.c > 35 {
		b.tick(22, 25, 0, 0)
	}
	b.tick(22, 150, 215, 127)
	now := b.l.Model()
	if now.Cooling.Spans != m.Cooling.Spans {
		t.Errorf("learned from a cooling that no exponential fits: %+v", now.Cooling)
	}
	if now.Warming.Spans != m.Warming.Spans+1 {
		t.Errorf("the warming before it was not learned: %d spans after %d", now.Warming.Spans, m.Warming.Spans)
	}
}
