package job

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"beltwarden/supervisor/heat"
)

// law drives a learner with Newton's law of cooling in closed form, three times up and
// down: T(t) = end + (T0 - end) exp(-t/tau).
func law(ambient, top, tau, target float64) heat.Model {
	l := heat.NewLearner(heat.Model{})
	at, c := time.Duration(0), ambient
	drive := func(end, goal float64) {
		for (c < target && end == top) || (c > goal && end == ambient) {
			r := heat.Reading{At: at, C: c, HasDuty: true}
			if end == top {
				r.TargetC, r.Duty = target, 127
			}
			l.Observe(r)
			at += time.Second
			c = end + (c-end)*math.Exp(-1/tau)
		}
	}
	l.Observe(heat.Reading{C: c, HasDuty: true})
	at += time.Second
	for range 3 {
		drive(top, target)
		drive(ambient, ambient+5)
	}
	l.Observe(heat.Reading{At: at, C: c, TargetC: target, Duty: 127, HasDuty: true})
	return l.Model()
}

func lasts(t *testing.T, what string, got *time.Duration, wantS float64) {
	t.Helper()
	if got == nil || math.Abs(got.Seconds()-wantS) > 0.02*wantS {
		t.Errorf("%s is %v, want %.1f s", what, got, wantS)
	}
}

func TestHeatTimesByNewtonsLaw(t *testing.T) {
	h := Heaters{Nozzle: law(20, 350, 150, 210), Bed: law(20, 145, 580, 60)}
	p := &Plan{}
	p.Begin.NozzleTargetC, p.Begin.BedTargetC = 205, 58
	p.End = p.Begin
	times := p.HeatTimes(h, 35, 150)
	lasts(t, "heat-up: the slower bed's", times.HeatUp, 580*math.Log((145-20.)/(145-58)))
	lasts(t, "cooling of the bed", &times.Cool.Mid, 580*math.Log((58-20.)/(35-20)))
	lasts(t, "reheating", times.Reheat, 580*math.Log((145-35.)/(145-58)))
	p.Begin.BedTargetC, p.End.BedTargetC = 36, 36
	lasts(t, "reheating, the nozzle slower", p.HeatTimes(h, 35, 50).Reheat, 150*math.Log((350-math.Max(50, 20+185*math.Exp(-580*math.Log(16./15)/150)))/(350-205)))
	if times := p.HeatTimes(h, 0, 150); times.Cool == nil || times.Cool.Mid != 0 || times.Reheat == nil || *times.Reheat != 0 {
		t.Errorf("without a wait for release: %v and %v", times.Cool, times.Reheat)
	}
	if times := p.HeatTimes(h, 20, 150); times.Cool != nil || times.Reheat != nil {
		t.Errorf("a release at ambient is never reached, and takes %v and %v", times.Cool, times.Reheat)
	}
	if times := p.HeatTimes(Heaters{}, 35, 150); times != (HeatTimes{}) {
		t.Errorf("known of nothing: %+v", times)
	}
}

func TestHeatTimesInJSON(t *testing.T) {
	w := heat.Wait{Low: 80 * time.Second, Mid: 90 * time.Second, High: 100 * time.Second, Sure: true}
	text, err := json.Marshal(&Plan{Heat: HeatTimes{Cool: &w}})
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]any{"heat_up_s": nil, "cool_s": 90.0, "cool_low_s": 80.0, "cool_high_s": 100.0, "reheat_s": nil} {
		if v, ok := got[key]; !ok || v != want {
			t.Errorf("%s is %v (there: %v), want %v", key, v, ok, want)
		}
	}
}
