package supervisor

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
)

// phases bring a machine from rest into each of its activities.
var phases = []struct {
	name string
	to   func(x *run)
}{
	{"idle", func(*run) {}},
	{"warming the bed", func(x *run) { x.begins(); time.Sleep(20 * time.Second) }},
	{"lead-in", func(x *run) { x.begins(); x.untilSoon("lead-in"); time.Sleep(5 * time.Second) }},
	{"making", func(x *run) { x.secondPart(); time.Sleep(time.Minute) }},
	{"cooling", func(x *run) { x.secondPart(); x.untilSoon("cooling"); time.Sleep(5 * time.Second) }},
	{"advancing", func(x *run) { x.secondPart(); x.untilSoon("advancing") }},
	{"holding", func(x *run) { x.secondPart(); x.do(Request{Command: Hold}); x.untilSoon("cooling") }},
	{"held", func(x *run) { x.held() }},
	{"held, heaters off", func(x *run) { x.held(); time.Sleep(20 * time.Minute) }},
	{"scaling", func(x *run) {
		x.held()
		go func() { // whatever the outcome, it is answered
			_, _ = x.s.Do(context.Background(), Request{Scale: &ScaleRequest{StepsPerMM: 79.2, NowStepsPerMM: 80}})
		}()
		time.Sleep(time.Millisecond)
	}},
	{"warming up again", func(x *run) {
		x.held()
		time.Sleep(20 * time.Minute)
		x.do(Request{Command: Unhold})
		time.Sleep(20 * time.Second)
	}},
	{"priming", func(x *run) {
		x.held()
		x.do(Request{Command: Unhold})
		x.untilSoon("priming")
	}},
	{"suspending", func(x *run) { x.secondPart(); x.do(Request{Command: Suspend}); x.untilSoon("cooling") }},
	{"suspended", func(x *run) { x.suspended() }},
	{"priming after a suspension", func(x *run) {
		x.suspended()
		x.do(Request{Command: Unsuspend})
		x.untilSoon("priming")
	}},
	{"stopping", func(x *run) { x.secondPart(); x.do(Request{Command: Stop}); time.Sleep(time.Second) }},
	{"completing", func(x *run) { x.secondPart(); x.do(Request{Command: CompleteLot}); x.untilSoon("running the parts") }},
	{"a trial", func(x *run) { x.beginTrialOf(5, "", 0); time.Sleep(5 * time.Second) }},
}

func (x *run) secondPart() { x.t.Helper(); x.begins(); x.untilSoon("making part 2") }

func (x *run) held() {
	x.t.Helper()
	x.secondPart()
	x.do(Request{Command: Hold})
	x.until(Held, 2*time.Hour)
}

func (x *run) suspended() {
	x.t.Helper()
	x.secondPart()
	x.do(Request{Command: Suspend})
	x.until(Suspended, 2*time.Hour)
}

// untilSoon is untilDoing for short activities.
func (x *run) untilSoon(words string) {
	x.t.Helper()
	for end := time.Now().Add(10 * time.Hour); !strings.HasPrefix(x.s.Snapshot().Doing, words); time.Sleep(20 * time.Millisecond) {
		if s := x.s.Snapshot(); time.Now().After(end) || s.State == Aborted {
			x.t.Fatalf("%s, %s: it does not come to %q", s.State, s.Doing, words)
		}
	}
}

// cold are the phases before which the heaters were off.
var cold = []string{"idle", "held, heaters off", "a trial"}

// played returns whether a pair of phase and one of so many faults is played: one in five as a rule, all of
// them with BELTWARDEN_PHASES=all.
func played(faults int) func(phase, fault int) bool {
	if os.Getenv("BELTWARDEN_PHASES") == "all" {
		return func(int, int) bool { return true }
	}
	var pairs [][2]int
	for i := range phases {
		for k := range faults {
			if (i+k)%5 == 0 {
				pairs = append(pairs, [2]int{i, k})
			}
		}
	}
	pairs = few(4, pairs)
	return func(i, k int) bool { return slices.Contains(pairs, [2]int{i, k}) }
}

// drive returns the true state of the machine's heaters.
func (x *run) drive() (on bool, text string) {
	nozzle, nt, bed, bt := x.rig.Temperatures()
	a, b := x.rig.PowersW()
	return nt > 0 || bt > 0 || a > 0 || b > 0, fmt.Sprintf("nozzle %.0f of %.0f °C at %.0f W, bed %.0f of %.0f °C at %.0f W", nozzle, nt, a, bed, bt, b)
}

// TestAnOrderlyEndInEachPhase: a process that is asked to end does so in every phase, whether or not
// its board lies. It reports the heaters as off only if they are, soon if nothing is wrong, and the
// next process knows what was made.
func TestAnOrderlyEndInEachPhase(t *testing.T) {
	faults := []*rig.Fault{nil, {Kind: rig.FrozenAnswers}, {Kind: rig.NoMains}, {Kind: rig.IgnoreOff}, {Kind: rig.FullHeat, Bed: true},
		{Kind: rig.Unplug}, {Kind: rig.Reset}, {Kind: rig.NoReports}, {Kind: rig.SwappedSensors}}
	play := played(len(faults))
	for i, phase := range phases {
		for k, fault := range faults {
			if !play(i, k) {
				continue
			}
			what := "sound"
			if fault != nil {
				what = fault.String()
			}
			t.Run(phase.name+", "+what, func(t *testing.T) {
				t.Parallel()
				inBubble(t, func(t *testing.T) {
					x := lieRun(t, nil)
					x.hot = true
					phase.to(x)
					if fault != nil {
						if err := x.rig.Inject(*fault); err != nil {
							t.Fatal(err)
						}
						time.Sleep(3 * time.Second)
					}
					from := time.Now()
					x.cancel()
					x.cancel = nil
					err := <-x.ended
					took := time.Since(from)
					on, text := x.drive()
					switch {
					case err != nil && !errors.Is(err, ErrHot):
						t.Errorf("ended with %v", err)
					case err == nil && on && slices.Contains(cold, phase.name): // a heater that turns itself on must first get warmer, and nothing was to be proved
					case err == nil && on:
						t.Errorf("ended as if the heaters were off after %v: %s", took, text)
					case took > x.s.set.StopWithin+30*time.Second:
						t.Errorf("ended after %v", took)
					case fault == nil && (err != nil || took > 2*time.Minute):
						t.Errorf("a sound machine: ended after %v with %v: %s", took, err, text)
					}
					x.ledger.Close()
					time.Sleep(10 * time.Second)
					x.rig.Replug()
					x.start()
					time.Sleep(3 * time.Minute)
					s, whole := x.s.Snapshot(), x.whole()
					if s.Lot != nil && s.Lot.Made > whole {
						t.Errorf("%d counted as made, %d there", s.Lot.Made, whole)
					}
					x.rig.Reset()
					time.Sleep(time.Minute)
				})
			})
		}
	}
}

// TestAFaultInEachPhase: the effect of a lying board or a broken heater in each phase, and for 25
// minutes after. No heater that is on is reported as off, whoever has to come is called, after a fault
// nothing heats or moves without a command, and no missing part is counted.
func TestAFaultInEachPhase(t *testing.T) {
	faults := []rig.Fault{{Kind: rig.FrozenAnswers}, {Kind: rig.NoMains}, {Kind: rig.NoReports}, {Kind: rig.SwappedSensors}, {Kind: rig.IgnoreOff},
		{Kind: rig.FullHeat}, {Kind: rig.FullHeat, Bed: true}, {Kind: rig.NoHeat}, {Kind: rig.StuckSensor}, {Kind: rig.MissingSensor}, {Kind: rig.Unplug}, {Kind: rig.Reset}}
	play := played(len(faults))
	for i, phase := range phases {
		for k, fault := range faults {
			if !play(i, k) {
				continue
			}
			t.Run(phase.name+", "+fault.String(), func(t *testing.T) {
				t.Parallel()
				inBubble(t, func(t *testing.T) {
					x := lieRun(t, nil)
					x.hot = true
					phase.to(x)
					before := x.alerts()
					if err := x.rig.Inject(fault); err != nil {
						t.Fatal(err)
					}
					shown, aborted := time.Now(), time.Time{}
					var acts int
					for end := time.Now().Add(25 * time.Minute); time.Now().Before(end); time.Sleep(time.Second) {
						s := x.s.Snapshot()
						on, text := x.drive()
						switch {
						case !s.Heat.Proved || !on:
							shown = time.Now()
						case time.Since(shown) > 2*time.Minute: // a heater that turns itself on must first get warmer
							t.Errorf("%s: %s; truly %s", s.State, s.Heat.Proof, text)
							end = time.Now()
						}
						if s.State != Aborted {
							aborted = time.Time{}
							continue
						}
						if n := len(acted(x.rig.Record())); aborted.IsZero() {
							aborted, acts = time.Now(), n
						} else if n > acts {
							t.Errorf("after the fault it sent %q", acted(x.rig.Record())[acts:])
							acts = n
						}
					}
					s, told := x.s.Snapshot(), strings.TrimPrefix(x.alerts(), before)
					called := slices.ContainsFunc([]string{CauseHeat, CauseLink, CauseBoard}, func(c string) bool { return strings.Contains("\n"+told, "\n"+c+": ") })
					atWork := s.State == Execute || s.State == Held || s.State == Suspended
					if on, text := x.drive(); on && !called && !(atWork && fault.Kind == rig.IgnoreOff) {
						t.Errorf("nobody was called: %s, %s; %s; told: %s", s.State, s.Doing, text, told)
					}
					if s.State == Aborted && !called {
						t.Errorf("aborted, and nobody was called: %s; told: %s", s.Cause.Text, told)
					}
					if whole := x.whole(); s.Lot != nil && s.Lot.Made > whole {
						t.Errorf("%d counted as made, %d there", s.Lot.Made, whole)
					}
					x.rig.Reset()
					time.Sleep(time.Minute)
				})
			})
		}
	}
}
