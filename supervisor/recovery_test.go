package supervisor

import (
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
)

// follow carries out an option of the recovery as an operator would.
func (x *run) follow(o RecoveryOption) {
	x.t.Helper()
	for _, step := range o.Steps {
		words := strings.Fields(step)
		switch has := func(w string) bool { return strings.Contains(" "+step+" ", " "+w+" ") }; words[1] {
		case "check":
			v := &Visit{BeltCleared: has("--belt-cleared"), Realigned: has("--realigned")}
			if _, word, ok := strings.Cut(step, "--interrupted "); ok {
				v.Interrupted, _, _ = strings.Cut(word, " ")
			}
			x.do(Request{Visit: v})
		case "clear":
			r := Request{Command: Clear, Continue: has("--go-on")}
			if has("--mended") {
				r.Repair = "a new cartridge"
			}
			x.do(r)
			if !has("--go-on") {
				x.until(Stopped, 10*time.Minute)
			}
		case "reset":
			x.do(Request{Command: Reset, Continue: has("--go-on")})
		case "lot":
			x.do(Request{EndLot: true, Override: "enough"})
		case "start":
			x.do(Request{Command: Start})
		default:
			x.t.Fatalf("nobody can do %q", step)
		}
	}
}

// TestRecovery interrupts a run in the middle of a part in several ways. Each time one screen shows
// what is certain and what is not, and each of its options leads where it says, with the count as it
// is on the machine.
func TestRecovery(t *testing.T) {
	breaks := map[string]struct {
		does func(x *run)
		says string // when the operator looks
	}{
		"cable":   {func(x *run) { x.rig.Unplug(); time.Sleep(5 * time.Minute); x.rig.Replug() }, "the board has restarted"},
		"restart": {func(x *run) { x.rig.Reset() }, "the board has restarted"},
		"daemon":  {func(x *run) { x.stop(); x.start() }, "the board has restarted"}, // it restarts whenever its port is opened
		"heater":  {func(x *run) { _ = x.rig.Inject(rig.Fault{Kind: rig.NoHeat}) }, "the heaters are NOT shown to be off: nozzle: its sensor is in doubt"},
	}
	for name, b := range breaks {
		for _, option := range few(1, []string{"scrap", "good", "realigned", "end"}) {
			if name == "heater" && option != "end" {
				continue // it will not heat again
			}
			t.Run(name+", "+option, func(t *testing.T) {
				t.Parallel()
				inBubble(t, func(t *testing.T) {
					x := making(t, testRig(), testSettings())
					b.does(x)
					time.Sleep(30 * time.Minute)
					s := x.s.Snapshot()
					r := s.Recovery
					if r == nil {
						t.Fatalf("%s, and nothing is said: %s", s.State, s.Cause.Text)
					}
					sure, doubt := strings.Join(r.Certain, "\n"), strings.Join(r.Uncertain, "\n")
					if !strings.Contains(sure, "lot 1, 1 made: 0 good, 1 not looked at, 0 scrap") || !strings.Contains(sure+doubt, b.says) ||
						!strings.Contains(doubt, "1 part was interrupted") || !strings.Contains(doubt, "something may be under the head") {
						t.Errorf("certain:\n%s\nuncertain:\n%s", sure, doubt)
					}
					for _, o := range r.Options {
						if o.Name == option {
							x.rig.ClearBelt()
							x.follow(o)
						}
					}
					if option == "end" {
						time.Sleep(time.Minute)
						if s := x.s.Snapshot(); s.Recovery != nil {
							t.Errorf("after the end: %+v", s.Recovery)
						}
						return
					}
					x.until(Complete, 5*time.Hour)
					c := x.counts(1)
					good := map[string]int{"good": 1}[option] // and one less to make
					if c.Made != 5+c.InterruptedScrap || c.Good != good || c.CyclesBegun != 6-good || c.Interrupted != 0 {
						t.Errorf("%d begun, %d made, %d good, %d not decided; want %d, 5, %d, 0", c.CyclesBegun, c.Made, c.Good, c.Interrupted, 6-good, good)
					}
					if s := x.s.Snapshot(); s.Recovery != nil {
						t.Errorf("in the end: %+v", s.Recovery)
					}
				})
			})
		}
	}
}

// TestGoingOnIsRefusedAtOnce while something is missing for it, and never by a restart.
func TestGoingOnIsRefusedAtOnce(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		x := making(t, testRig(), testSettings())
		x.rig.Reset()
		x.until(Aborted, 20*time.Minute)
		if err := x.refuse(Request{Command: Clear, Continue: true}); !strings.Contains(err.Error(), "belt-cleared") {
			t.Errorf("%v", err)
		}
		x.do(Request{Visit: &Visit{BeltCleared: true}})
		if err := x.refuse(Request{Command: Clear, Continue: true}); !strings.Contains(err.Error(), "interrupted") {
			t.Errorf("%v", err)
		}
		x.do(Request{Visit: &Visit{Interrupted: "scrap"}})
		x.do(Request{Command: Clear, Continue: true})
		x.rig.Unplug() // a new fault cancels the request
		time.Sleep(30 * time.Minute)
		x.rig.Replug()
		time.Sleep(time.Hour)
		if s := x.s.Snapshot(); s.State == Execute || s.State == Starting {
			t.Errorf("it goes on by itself after another fault: %s", s.State)
		}
	})
}
