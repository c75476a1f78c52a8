package heat

import (
	"encoding/json"
	"math"
	"testing"
	"time"
)

// parts runs a heater through cycles as a lot asks for them: so long at the target, then
// down to standby.
func (o *oven) parts(n int, targetC, standbyC float64) {
	for range n {
		o.to(targetC)
		o.run(18*time.Minute, targetC)
		o.run(5*time.Minute, standbyC)
	}
}

// TestMoreOrLessDriveIsTold: what holds a temperature with much more drive than it used to
// need, or much less, is reported once, and what stays so becomes usual. A little is not reported.
func TestMoreOrLessDriveIsTold(t *testing.T) {
	for name, c := range map[string]struct {
		o      *oven
		target float64
		alter  func(*oven)
		times  int
		more   bool
	}{
		"a fan at the block":         {nozzle(), 205, func(o *oven) { o.draft = 0.4 }, 1, true},
		"a weak supply":              {nozzle(), 205, func(o *oven) { o.endC = 22 + (350-22)*0.7 }, 1, true},
		"insulation of the bed gone": {bed(), 60, func(o *oven) { o.draft = 0.45 }, 1, true},
		"a bed that loses less":      {bed(), 60, func(o *oven) { o.draft = -0.45 }, 1, false},
		"a window opened":            {nozzle(), 205, func(o *oven) { o.ambientC = 10 }, 0, false},
		"a part fan over the nozzle": {nozzle(), 205, func(o *oven) { o.draft = 0.15 }, 0, false},
		"nothing":                    {nozzle(), 205, func(*oven) {}, 0, false},
	} {
		t.Run(name, func(t *testing.T) {
			o := c.o
			o.tellsDuty = true
			o.parts(4, c.target, 0)
			if len(o.odd) > 0 {
				t.Fatalf("before anything is unlike: %+v", o.odd)
			}
			c.alter(o)
			o.parts(2, c.target, 0)
			if len(o.odd) != c.times || c.times > 0 && (o.odd[0].Is > o.odd[0].Was) != c.more {
				t.Fatalf("reported %+v", o.odd)
			}
			o.parts(8, c.target, 0)
			if len(o.odd) != c.times {
				t.Errorf("reported again though it stays so: %+v", o.odd)
			}
			for _, f := range o.found {
				if f.Fault {
					t.Errorf("it still works: %v", f)
				}
			}
		})
	}
}

// TestDutiesAreKept over a restart, for so many targets; damage in the board's words and
// models that cannot be right do no harm.
func TestDutiesAreKept(t *testing.T) {
	o := nozzle()
	o.tellsDuty = true
	o.parts(3, 205, 150)
	text, err := json.Marshal(o.l.Model())
	if err != nil {
		t.Fatal(err)
	}
	var m Model
	if err := json.Unmarshal(text, &m); err != nil || m.Duties[0].TargetC != 150 || m.Duties[1].TargetC != 205 || m.Duties[1].N < 12 {
		t.Fatalf("%v %+v", err, m.Duties)
	}
	// Held at 205 of 350 °C from 22: Newton's law of cooling asks for this share of full drive, 127.
	if want := 127 * (205 - 22.0) / (350 - 22); math.Abs(m.Duties[1].Mean-want) > 1.5 {
		t.Errorf("the drive learned is %.1f, want %.1f", m.Duties[1].Mean, want)
	}
	o.l = NewLearner(m)
	o.draft = 0.5
	o.parts(1, 205, 150)
	if len(o.odd) != 1 {
		t.Errorf("after a restart: %+v", o.odd)
	}
	for _, target := range []float64{190, 200, 210, 220, 230} {
		o.parts(1, target, 150)
	}
	d := o.l.Model().Duties
	if d[0].TargetC != 230 || d[1].TargetC != 220 || d[2].TargetC != 210 || d[3].TargetC != 150 {
		t.Errorf("the newest targets are %+v", d)
	}
	l := NewLearner(m)
	for i, duty := range []float64{math.NaN(), math.Inf(1), -5, 1e300} {
		l.Observe(Reading{At: time.Duration(i+1) * time.Second, C: 205, TargetC: 205, Duty: duty, HasDuty: true})
	}
	if l.Model().Duties != m.Duties {
		t.Error("damaged words are learned from")
	}
	m.Duties[2].Mean = math.Inf(1)
	if NewLearner(m).Model() != (Model{}) {
		t.Error("a model that cannot be right is gone on with")
	}
}
