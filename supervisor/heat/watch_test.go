package heat

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// oven is a heater as found in machines: an element, a body whose sensor answers late,
// and a controller. It loses heat by Newton's law of cooling.
type oven struct {
	ambientC, endC, tauS float64 // endC: what it tends to fully on
	lagS                 float64
	stepC, noiseC        float64
	bangC                float64 // hysteresis of an on-off controller; 0: proportional
	every                time.Duration
	rand                 *rand.Rand

	bodyC, sensorC float64
	draft          float64 // added to the share of drive that holds a target; the body loses more
	tellsDuty      bool
	odd            []Unusual
	on             bool
	now            time.Duration
	targetC        float64

	// What goes wrong, if anything, from the moment it is set.
	dead, always, loose bool
	stuckC              *float64

	w     *Watch
	l     *Learner
	found []Finding
}

func (o *oven) tick() {
	const dt = 0.25
	last := 0.0
	for s := 0.0; s < o.every.Seconds(); s += dt {
		duty := 0.0
		felt := o.sensorC
		if o.stuckC != nil {
			felt = *o.stuckC
		}
		switch {
		case o.targetC == 0:
		case o.bangC > 0:
			o.on = felt < o.targetC-o.bangC || o.on && felt < o.targetC+o.bangC
			if o.on {
				duty = 1
			}
		default:
			still := (o.targetC - o.ambientC) / (o.endC - o.ambientC)
			duty = min(1, max(0, still+(o.targetC-felt)/8))
		}
		last = duty // what the board asks for, whatever comes of it
		if o.dead {
			duty = 0
		}
		if o.always {
			duty = 1
		}
		end := o.ambientC + duty*(o.endC-o.ambientC)/(1+o.draft)
		o.bodyC = newton(end, o.bodyC, o.tauS, dt)
		feels := o.bodyC
		if o.loose {
			feels = o.ambientC + (o.bodyC-o.ambientC)*0.3
		}
		o.sensorC = newton(feels, o.sensorC, o.lagS, dt)
	}
	o.now += o.every
	shows := math.Round((o.sensorC+o.noiseC*o.rand.NormFloat64())/o.stepC) * o.stepC
	if o.stuckC != nil {
		shows = *o.stuckC
	}
	r := Reading{At: o.now, C: shows, TargetC: o.targetC, Duty: math.Floor(127 * last), HasDuty: o.tellsDuty}
	o.l.Observe(r)
	if u := o.l.Unusual(); u != nil {
		o.odd = append(o.odd, *u)
	}
	m := o.l.Model()
	o.found = append(o.found, o.w.Observe(r, o.ambientC, &m)...)
}

func (o *oven) run(d time.Duration, targetC float64) {
	o.targetC = targetC
	for end := o.now + d; o.now < end; {
		o.tick()
	}
}

// to runs until the target is near, or for an hour.
func (o *oven) to(targetC float64) {
	o.targetC = targetC
	for end := o.now + time.Hour; o.now < end; {
		if o.tick(); math.Abs(o.sensorC-targetC) < 2 {
			return
		}
	}
}

func (o *oven) has(kind Kind) bool {
	return slices.ContainsFunc(o.found, func(f Finding) bool { return f.Kind == kind && f.Fault == (kind != Drifted) })
}

func nozzle() *oven {
	return &oven{ambientC: 22, endC: 350, tauS: 180, lagS: 2, stepC: 0.01, noiseC: 0.05, every: 2 * time.Second,
		rand: rand.New(rand.NewPCG(1, 2)), bodyC: 22, sensorC: 22, w: NewWatch(NozzleLimits(260, OverC)), l: NewLearner(Model{})}
}

func bed() *oven {
	return &oven{ambientC: 22, endC: 110, tauS: 700, lagS: 8, stepC: 0.01, noiseC: 0.03, every: 2 * time.Second,
		rand: rand.New(rand.NewPCG(3, 4)), bodyC: 22, sensorC: 22, w: NewWatch(BedLimits(100, OverC)), l: NewLearner(Model{})}
}

// TestASoundHeaterIsLeftInPeace runs a morning's work on machines of all kinds.
func TestASoundHeaterIsLeftInPeace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		isBed := rapid.Bool().Draw(t, "bed")
		o, target, standby := nozzle(), rapid.Float64Range(180, 250).Draw(t, "target"), 150.0
		o.endC = target + rapid.Float64Range(50, 200).Draw(t, "reserve")
		o.tauS = rapid.Float64Range(90, 300).Draw(t, "tau")
		if isBed {
			o, target, standby = bed(), rapid.Float64Range(45, 90).Draw(t, "bed target"), 0
			o.endC = target + rapid.Float64Range(15, 60).Draw(t, "bed reserve")
			o.tauS = rapid.Float64Range(200, 1200).Draw(t, "bed tau")
		}
		o.ambientC = rapid.Float64Range(5, 35).Draw(t, "ambient")
		o.bodyC, o.sensorC = o.ambientC, o.ambientC
		o.lagS = rapid.Float64Range(0.5, 6).Draw(t, "lag")
		o.stepC = rapid.SampledFrom([]float64{0.01, 0.04, 0.1, 0.3, 1}).Draw(t, "step")
		o.noiseC = rapid.Float64Range(0.02, 0.3).Draw(t, "noise")
		o.bangC = rapid.SampledFrom([]float64{0, 1, 2}).Draw(t, "bang")
		o.every = rapid.SampledFrom([]time.Duration{time.Second, 2 * time.Second, 5 * time.Second}).Draw(t, "every")
		o.tellsDuty = rapid.Bool().Draw(t, "tells duty")
		o.run(time.Minute, 0)
		for range 3 {
			o.to(target)
			o.run(20*time.Minute, target)
			o.run(10*time.Minute, standby)
		}
		o.run(40*time.Minute, 0)
		if len(o.found) > 0 || len(o.odd) > 0 {
			t.Fatalf("a sound heater: %v %v", o.found, o.odd)
		}
	})
}

// TestEachFaultIsFound says of each fault what is found of it, and within what time.
func TestEachFaultIsFound(t *testing.T) {
	for _, c := range []struct {
		name   string
		o      *oven
		warm   float64 // reached and held before
		fault  func(*oven)
		target float64 // asked for with the fault
		kind   Kind
		within time.Duration
	}{
		{"cartridge without current", nozzle(), 0, func(o *oven) { o.dead = true }, 205, Slow, 45 * time.Second},
		{"bed without current", bed(), 0, func(o *oven) { o.dead = true }, 60, Slow, 250 * time.Second},
		{"cartridge fails while hot", nozzle(), 205, func(o *oven) { o.dead = true }, 205, Fallen, 90 * time.Second},
		{"bed fails while hot", bed(), 60, func(o *oven) { o.dead = true }, 60, Fallen, 8 * time.Minute},
		{"too weak for its target, by little", nozzle(), 205, func(o *oven) { o.endC = 190 }, 205, Fallen, 7 * time.Minute},
		{"sensor slips out while hot", nozzle(), 205, func(o *oven) { o.loose = true }, 205, Fallen, time.Minute},
		{"transistor closed, nozzle", nozzle(), 205, func(o *oven) { o.always = true }, 205, Over, 90 * time.Second},
		{"transistor closed, nozzle off", nozzle(), 150, func(o *oven) { o.always = true }, 0, Over, 2 * time.Minute},
		{"transistor closed, cold nozzle", nozzle(), 0, func(o *oven) { o.always = true }, 0, Over, time.Minute},
		{"transistor closed, bed", bed(), 60, func(o *oven) { o.always = true }, 60, Over, 9 * time.Minute},
		{"transistor closed, to the ceiling", nozzle(), 250, func(o *oven) { o.always = true }, 250, Ceiling, 90 * time.Second},
		{"transistor closed, bed, the drive reported", bed(), 60, func(o *oven) { o.always, o.tellsDuty = true, true }, 60, Over, 3 * time.Minute},
		{"transistor closed, warm bed off", bed(), 60, func(o *oven) { o.always = true }, 0, Over, 5 * time.Minute},
		{"stuck while heating", nozzle(), 0, func(o *oven) { c := 31.2; o.stuckC = &c }, 205, Slow, 45 * time.Second},
		{"stuck while held", nozzle(), 205, func(o *oven) { c := 205.3; o.stuckC = &c }, 205, Still, 5 * time.Minute},
		{"stuck while held, after it has flickered", nozzle(), 205, func(o *oven) {
			o.run(5*time.Minute, 205)
			c := 205.31
			o.stuckC = &c
		}, 205, Still, 80 * time.Second},
		{"bed stuck while held, after it has flickered", bed(), 60, func(o *oven) {
			o.run(5*time.Minute, 60)
			c := 60.02
			o.stuckC = &c
		}, 60, Still, 80 * time.Second},
		{"stuck while cooling", nozzle(), 205, func(o *oven) { c := 198.0; o.stuckC = &c }, 0, Still, 3 * time.Minute},
		{"wire broken", nozzle(), 205, func(o *oven) { c := -14.0; o.stuckC = &c }, 205, Absurd, 10 * time.Second},
		{"wire broken, no number", nozzle(), 205, func(o *oven) { c := 1100.0; o.stuckC = &c }, 205, Absurd, 10 * time.Second},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := c.o
			o.run(time.Minute, 0)
			if c.warm > 0 {
				o.to(c.warm)
				o.run(5*time.Minute, c.warm)
			}
			if len(o.found) > 0 {
				t.Fatalf("before anything is wrong: %v", o.found)
			}
			c.fault(o)
			from := o.now
			for o.targetC = c.target; !o.has(c.kind) && o.now < from+time.Hour; {
				o.tick()
			}
			if took := o.now - from; took > c.within {
				t.Errorf("%s was found after %s, %s is wanted; found: %v", c.kind, took, c.within, o.found)
			}
			n := len(o.found)
			o.run(time.Minute, c.target)
			if kinds := map[Kind]bool{}; len(o.found) > n {
				for _, f := range o.found {
					if kinds[f.Kind] {
						t.Errorf("reported twice: %v", f)
					}
					kinds[f.Kind] = true
				}
			}
		})
	}
}

// TestASlowerHeaterIsToldBeforeItIsAFault halves a cartridge's power on a learned machine.
func TestASlowerHeaterIsToldBeforeItIsAFault(t *testing.T) {
	o := nozzle()
	for range 4 {
		o.to(205)
		o.run(3*time.Minute, 205)
		o.run(25*time.Minute, 0)
	}
	if len(o.found) > 0 {
		t.Fatalf("before: %v", o.found)
	}
	o.endC = 22 + (350-22)*0.8
	o.to(205)
	if !o.has(Drifted) {
		t.Errorf("a heater of four fifths its power is not reported: %v", o.found)
	}
	for _, f := range o.found {
		if f.Fault {
			t.Errorf("it still works: %v", f)
		}
	}
}

// TestASensorHalfOutOfItsBlock shows a third of what the body gains. On a learned machine
// it is a fault before the body is as hot as the target it pretends not to have reached.
func TestASensorHalfOutOfItsBlock(t *testing.T) {
	o := nozzle()
	for range 3 {
		o.to(205)
		o.run(3*time.Minute, 205)
		o.run(25*time.Minute, 0)
	}
	o.loose, o.targetC = true, 205
	for end := o.now + time.Hour; !o.has(Slow) && o.now < end; {
		o.tick()
	}
	if !o.has(Slow) || o.bodyC > 205 {
		t.Errorf("at %.0f °C of the body, %.0f shown: %v", o.bodyC, o.sensorC, o.found)
	}
}

// TestADamagedReadingIsNoFault: the board's words carry no checksum.
func TestADamagedReadingIsNoFault(t *testing.T) {
	for _, r := range []Reading{{C: -14, TargetC: 205}, {C: 2050, TargetC: 205}, {C: 999, TargetC: 205}, {C: 20.5, TargetC: 205},
		{C: 295, TargetC: 205}, {C: math.NaN(), TargetC: 205}, {C: 205, TargetC: 5}, {C: 205, TargetC: 0}} {
		for _, hot := range []bool{true, false} {
			o := nozzle()
			target := 0.0
			if hot {
				target = 205
				o.to(100)
			}
			damage := func() {
				m := o.l.Model()
				r.At = o.now + time.Second
				o.found = append(o.found, o.w.Observe(r, 22, &m)...)
			}
			o.run(10*time.Second, target)
			damage()
			if hot {
				o.to(205)
			}
			o.run(5*time.Minute, target)
			damage()
			o.run(2*time.Minute, target)
			if len(o.found) > 0 {
				t.Errorf("one reading of %+v, hot %v: %v", r, hot, o.found)
			}
		}
	}
}

// TestAHeaterThatWasOnAllAlong never rises before the watch: it is hot from the first reading, is asked for
// nothing, and does not cool. Readings that are lost for a while, and damaged targets, do not put it off.
func TestAHeaterThatWasOnAllAlong(t *testing.T) {
	for _, wire := range []string{"good", "lost readings", "damaged targets"} {
		for name, o := range map[string]*oven{"nozzle": nozzle(), "bed": bed()} {
			o.bodyC, o.sensorC, o.always, o.every = o.endC, o.endC, true, 15*time.Second
			o.w = NewWatch(BedLimits(0, OverC))
			for n := 1; o.now < time.Hour && !o.has(Over); n++ {
				o.targetC = 0
				switch {
				case n%12 != 0:
				case wire == "lost readings":
					o.now += 2 * gap
				case wire == "damaged targets":
					o.targetC = 70
				}
				o.tick()
			}
			if o.now > 24*time.Minute {
				t.Errorf("%s at %.0f °C, %s: found after %s: %v", name, o.endC, wire, o.now, o.found)
			}
		}
	}
}

// TestAQuickHeaterIsFoundByItsRise gets hot while a body may still keep getting warmer after its heater was
// switched off, and then stays as it is.
func TestAQuickHeaterIsFoundByItsRise(t *testing.T) {
	o := bed()
	o.endC, o.tauS = 147, 40
	o.run(10*time.Second, 0)
	o.always = true
	for o.now < time.Hour && !o.has(Over) {
		o.tick()
	}
	if o.now > time.Minute {
		t.Errorf("found after %s at %.0f °C: %v", o.now, o.sensorC, o.found)
	}
}
