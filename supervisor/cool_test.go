package supervisor

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// hotBoard is a board left with its heaters on, in the middle of a program.
func hotBoard(t *testing.T, words string, alter func(*rig.Settings)) *rig.Rig {
	t.Helper()
	s := testRig()
	s.Board.ResetOnOpen = false
	if alter != nil {
		alter(&s)
	}
	r, err := rig.New(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.Close() })
	port, err := r.Open(t.Context(), serialio.Settings{Path: "rig", BaudRate: 250000})
	if err != nil {
		t.Fatal(err)
	}
	time.Sleep(10 * time.Second) // a board that restarts when it is opened
	if _, err := port.Write([]byte(words)); err != nil {
		t.Fatal(err)
	}
	time.Sleep(4 * time.Minute)
	_ = port.Close() // the daemon is gone
	return r
}

// TestCoolBeforeADaemon: the cleanup after a failed daemon is not delayed by a bed that takes minutes
// to cool, and leaves no heater on.
func TestCoolBeforeADaemon(t *testing.T) {
	for _, words := range []string{"M104 S205\nM140 S60\n", "M140 S60\nM109 S280\n", "M104 S205\nM140 S60\nG91\nG1 X1 F1\n", "M105\n"} {
		for _, resets := range []bool{false, true} {
			inBubble(t, func(t *testing.T) {
				r := hotBoard(t, words, func(s *rig.Settings) { s.Board.ResetOnOpen = resets })
				begun := time.Now()
				said, err := Cool(context.Background(), Cooling{Port: serialio.Settings{Path: "rig", BaudRate: 250000}, Conn: serialio.Options{BootWait: time.Second},
					Within: 30 * time.Second, Every: 2 * time.Second, UntilAccepted: true}, r.Open)
				if took := time.Since(begun); err != nil || took > 20*time.Second {
					t.Errorf("%q, restarts when opened %v: %v after %s", words, resets, err, took)
				}
				if _, nt, _, bt := r.Temperatures(); nt != 0 || bt != 0 || !strings.Contains(said, "off") {
					t.Errorf("%q: said %q, targets left at %.0f and %.0f °C", words, said, nt, bt)
				}
			})
		}
	}
}

func coolIt(r *rig.Rig, within time.Duration) (string, error) {
	return Cool(context.Background(), Cooling{Port: serialio.Settings{Path: "rig", BaudRate: 250000}, Conn: serialio.Options{BootWait: time.Second},
		Within: within, Every: 2 * time.Second}, r.Open)
}

// TestCool: whatever the board was doing when the daemon died, its heaters are off soon after, and
// readings show it.
func TestCool(t *testing.T) {
	for name, words := range map[string]string{
		"heated":                  "M104 S205\nM140 S60\n",
		"heating, and waiting":    "M140 S60\nM109 S280\n",
		"waiting for a cold bed":  "M104 S205\nM190 R15\n",
		"in the middle of a move": "M104 S205\nM140 S60\nG91\nG1 X1 F1\n",
		"cold":                    "M105\n",
	} {
		for _, resets := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, restarts when opened %v", name, resets), func(t *testing.T) {
				inBubble(t, func(t *testing.T) {
					r := hotBoard(t, words, func(s *rig.Settings) { s.Board.ResetOnOpen = resets })
					said, err := coolIt(r, 10*time.Minute)
					if err != nil {
						t.Fatal(err)
					}
					if _, nt, _, bt := r.Temperatures(); nt != 0 || bt != 0 {
						t.Errorf("targets left at %.0f and %.0f °C", nt, bt)
					}
					if want := map[bool]string{true: "had no target and reads 22", false: "fell from"}[name == "cold"]; !strings.Contains(said, want) {
						t.Errorf("said %q", said)
					}
				})
			})
		}
	}
}

// TestCoolInTrouble: a heater that stays on, a board that disappears for a while, and one that is gone
// for good.
func TestCoolInTrouble(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r := hotBoard(t, "M104 S205\n", nil)
		if err := r.Inject(rig.Fault{Kind: rig.FullHeat}); err != nil {
			t.Fatal(err)
		}
		if said, err := coolIt(r, 5*time.Minute); !errors.Is(err, ErrHot) || !strings.Contains(err.Error(), "nozzle was found heating unasked") || !strings.Contains(err.Error(), "mains") {
			t.Errorf("a heater that is on for good: %q %v", said, err)
		}
	})
	inBubble(t, func(t *testing.T) {
		r := hotBoard(t, "M104 S205\n", nil)
		r.Unplug()
		time.AfterFunc(2*time.Minute, r.Replug)
		if said, err := coolIt(r, 10*time.Minute); err != nil {
			t.Errorf("a cable that is back after two minutes: %q %v", said, err)
		}
		if _, nt, _, _ := r.Temperatures(); nt != 0 {
			t.Errorf("target left at %.0f °C", nt)
		}
	})
	inBubble(t, func(t *testing.T) {
		r := hotBoard(t, "M104 S205\n", nil)
		r.Unplug()
		if said, err := coolIt(r, 5*time.Minute); !errors.Is(err, ErrHot) {
			t.Errorf("a cable that stays out: %q %v", said, err)
		}
	})
}

// falls is a ledger that makes the run panic.
type falls struct {
	Ledger
	now chan struct{}
}

func (f *falls) Commit(ctx context.Context, r ...ledger.Record) error {
	select {
	case <-f.now:
		panic("a fault of the program")
	default:
		return f.Ledger.Commit(ctx, r...)
	}
}

// startFalling runs the machine until it makes a part. It returns a function that makes the run panic
// and returns the panic; the ledger is free after it.
func (x *run) startFalling() (fall func() any) {
	x.t.Helper()
	l, err := ledger.Open(x.path, ledger.Options{})
	if err != nil {
		x.t.Fatal(err)
	}
	f := &falls{l, make(chan struct{})}
	m, err := NewMachine(x.t.Context(), x.set, f, x.inspect, "test", time.Now())
	if err != nil {
		x.t.Fatal(err)
	}
	x.s = New(m, f, x.rig.Open, zap.NewNop())
	fell := make(chan any, 1)
	go func() {
		defer func() { fell <- recover() }()
		_ = x.s.Run(x.t.Context())
	}()
	x.until(Idle, time.Minute)
	x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}, Start: true}})
	x.until(Execute, 2*time.Hour)
	time.Sleep(20 * time.Second)
	return func() any {
		close(f.now)
		said := <-fell
		l.Close()
		return said
	}
}

// TestARunThatFallsOver switches the heaters off before it ends, and is not delayed.
func TestARunThatFallsOver(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		fall := x.startFalling()
		if err := x.s.Ping(t.Context()); err != nil {
			t.Errorf("the run does not answer: %v", err)
		}
		if _, nt, _, _ := x.rig.Temperatures(); nt == 0 {
			t.Fatal("nothing is heated")
		}
		if said := fall(); said != "a fault of the program" {
			t.Errorf("it fell with %v", said)
		}
		if _, nt, _, bt := x.rig.Temperatures(); nt != 0 || bt != 0 {
			t.Errorf("targets left at %.0f and %.0f °C", nt, bt)
		}
		if err := x.s.Ping(t.Context()); !errors.Is(err, ErrEnded) {
			t.Errorf("a run that has ended answers: %v", err)
		}
		x.s.close()
	})
}

// TestCallsAfterAFall: a daemon that restarts with unfinished work calls before it has tried the
// board, and does not report a reachable board as out of reach.
func TestCallsAfterAFall(t *testing.T) {
	for _, out := range []bool{false, true} {
		inBubble(t, func(t *testing.T) {
			x := newRun(t, testRig(), testSettings())
			x.startFalling()()
			x.s.close()
			if out {
				x.rig.Unplug()
			}
			x.start()
			time.Sleep(5 * time.Second)
			told := x.alerts()
			if !strings.Contains(told, "restart: the heaters may be on until the board answers: the daemon ended while") {
				t.Errorf("told:\n%s", told)
			}
			if got := strings.Contains(told, "the board is out of reach, and its heaters may be on: cut the mains"); got != out {
				t.Errorf("cable out %v, told:\n%s", out, told)
			}
			x.rig.Replug()
			x.until(Aborted, 10*time.Minute)
		})
	}
}

// TestCoolBelievesNoColdReading of a board that reports no target: a heater that is on with a stuck
// sensor reads the same. Nor does it believe one of a heater whose temperature the board does not
// report.
func TestCoolBelievesNoColdReading(t *testing.T) {
	for line, shown := range map[string]bool{"T:22.0 B:21.0": false, "T:22.0 /0.0 B:21.0 /0.0": true, "T:nan /0.0 B:21.0 /0.0": false, "T:-127 /0.0 B:21.0 /0.0": false,
		"T:22.0 /0.0": false} { // of a machine with a known bed
		k := newCooler(Cooling{Speed: 1, HasBed: true})
		k.begun = k.begun.Add(-time.Minute)
		got := false
		for range 60 {
			k.begun = k.begun.Add(-2 * time.Second)
			got = got || k.report(serialio.ParseReply([]byte(line)).Temps)
		}
		if got != shown {
			t.Errorf("%q: shown %t: %s", line, got, k.guard.Text())
		}
	}
}

// TestCoolProvesNoPart: a daemon was killed between the number of a part's last line and that line. What switches the
// heaters off must not get that number, or the part counts as made. Behind the last line the count goes on: it is the proof.
func TestCoolProvesNoPart(t *testing.T) {
	for _, c := range []struct {
		last   int64
		proves bool
	}{{endNumber(1) - 1, false}, {endNumber(1), true}, {endNumber(1) + 5, true}} {
		inBubble(t, func(t *testing.T) {
			r := hotBoard(t, fmt.Sprintf("M104 S205\nM110 N%d\n", c.last), nil)
			if said, err := coolIt(r, 10*time.Minute); err != nil {
				t.Fatalf("%v (%s)", err, said)
			}
			number := int64(-1)
			for _, e := range r.Record() {
				if e.Number >= 0 {
					number = e.Number
				}
			}
			if proves := number >= endNumber(1); proves != c.proves {
				t.Errorf("after %d it ends with line %d, which proves a part: %t, want %t", c.last, number, proves, c.proves)
			}
		})
	}
}
