package supervisor

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
)

// tinyJob is one straight line of plastic: enough to have a body.
const tinyJob = `G21
G90
M82
M140 S60
M104 S200
G28
G92 E0
G1 X10 Y5 Z0.2 F3000
G1 X30 Y5 E2 F900
G1 X30 Y15 E3
G1 E2 F1800
M104 S0
M140 S0
M84
`

// twin simulates board, operator and clock against a Machine at random, commits every record to a real
// ledger, whose own rules are the judge, and checks the order of records and effects.
type twin struct {
	t       *rapid.T
	m       *Machine
	l       *ledger.Ledger
	now     time.Time
	plan    *job.Plan
	state   State
	link    linkPhase
	running uint64 // program at the board
	body    bool   // the program makes a part
	begun   int64  // newest durable cycle
	ended   bool   // the board has completed the newest body
	later   bool   // a request waits for its answer
	cancel  bool   // the program is to be cancelled
	open    map[int64]bool
	article articleTwin
	seen    map[string]int // states entered and outcomes of cycles, over all runs
}

// feed passes the machine an event and checks its output.
func (w *twin) feed(ev Event) Output {
	out := w.m.Step(w.now, ev)
	w.judge(out)
	return out
}

func (w *twin) judge(out Output) {
	if out.Refused != nil && (len(out.Records) > 0 || len(out.Effects) > 0) {
		w.t.Fatalf("refused (%v) and yet it did something", out.Refused)
	}
	if len(out.Records) > 0 {
		if err := w.l.Commit(context.Background(), out.Records...); err != nil {
			w.t.Fatalf("the ledger refuses the records of a step: %v\n%#v", err, out.Records)
		}
	}
	w.answers(out)
	for _, r := range out.Records {
		if wrong := w.article.take(r); wrong != "" {
			w.t.Fatal(wrong)
		}
		switch r := r.(type) {
		case ledger.StateChanged:
			w.follow(r)
		case ledger.CycleBegun:
			w.begun, w.ended = r.Seq, false
		case ledger.CycleInterrupted:
			w.seen["interrupted"]++
		case ledger.CycleDecided:
			w.seen["decided"]++
		case ledger.CycleDischarged:
			w.seen["discharged"]++
		case ledger.CycleMade:
			w.seen["made"]++
			if !w.ended && r.Evidence == ledger.EvidenceConfirmed {
				w.t.Fatalf("cycle %d counted before the board had ended its body", r.Seq)
			}
		case ledger.HoldBegun:
			w.open[r.ID] = true
			w.seen["held for "+r.Reason]++
		case ledger.HoldEnded:
			delete(w.open, r.ID)
		}
	}
	if len(w.open) > 1 {
		w.t.Fatalf("%d holds open at once", len(w.open))
	}
	for _, e := range out.Effects {
		w.effect(e)
	}
}

// follow checks that a change of state is in the standard.
func (w *twin) follow(r ledger.StateChanged) {
	var to State
	if err := to.UnmarshalText([]byte(r.State)); err != nil {
		w.t.Fatal(err)
	}
	for _, c := range append(Commands(), StateComplete) {
		if s, ok := Transition(w.state, c); ok && s == to {
			w.state = to
			w.seen[to.String()]++
			return
		}
	}
	w.t.Fatalf("from %s to %s: the standard has no such transition", w.state, to)
}

func (w *twin) effect(e Effect) {
	switch e := e.(type) {
	case OpenLink:
		if w.link != linkDown {
			w.t.Fatal("port opened twice")
		}
		w.link = linkOpening
	case CloseLink:
		w.link, w.running = linkDown, 0
	case CancelProgram:
		w.cancel = true
	case RunProgram, RunSafe:
		if w.link != linkUp {
			w.t.Fatal("program sent without a board")
		}
		id := programOf(e)
		if w.running != 0 {
			w.t.Fatalf("program %d sent while %d runs", id, w.running)
		}
		w.running, w.cancel, w.body = id, false, false
		if run, is := e.(RunProgram); is && run.Program.EndNumber > 0 {
			w.body = true
			if run.Program.EndNumber != endNumber(w.begun) {
				w.t.Fatalf("body of a cycle that is not the newest durable one (%d)", w.begun)
			}
		}
	}
}

// programOf is the program that an effect sends, 0 for one that sends none.
func programOf(e Effect) uint64 {
	switch e := e.(type) {
	case RunProgram:
		return e.ID
	case RunSafe:
		return e.ID
	}
	return 0
}

// never is longer than a test.
const never = 10000 * time.Hour

// TestMachineAtRandom drives the machine with random events.
func TestMachineAtRandom(t *testing.T) {
	withoutRace(t)
	path := filepath.Join(t.TempDir(), "tiny.gcode")
	if err := os.WriteFile(path, []byte(tinyJob), 0o600); err != nil {
		t.Fatal(err)
	}
	plan, err := job.Inspect(context.Background(), path, testJobOptions(), nil)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	seen := map[string]int{}
	must := []string{"made", "discharged", "interrupted", "decided", "corrected", "held for " + CauseFirstArticle}
	for _, s := range States() {
		must = append(must, s.String())
	}
	atRandom(t, seen, must, func(rt *rapid.T) {
		n++
		l, err := ledger.Open(fmt.Sprintf("twin-%d", n), ledger.Options{Memory: true})
		if err != nil {
			rt.Fatal(err)
		}
		defer l.Close()
		set := testSettings()
		// Its readings jump as no heater's do; another test covers that.
		calm := heat.Limits{Name: "heater", RiseC: 1, OverC: 1000, FallC: 1000, NearC: 10, RiseWithin: never, FallFor: never, OverFor: never, StillFor: never, HeldFor: never}
		set.NozzleWatch, set.BedWatch, set.ReadingTimeout = calm, calm, never
		set.CheckEveryParts = rapid.IntRange(0, 3).Draw(rt, "every")
		set.BinParts, set.SeamMM, set.DiskReserveBytes = rapid.IntRange(0, 4).Draw(rt, "bin"), 20, 50e6
		set.FirstArticle = rapid.Bool().Draw(rt, "first article")
		if rapid.IntRange(0, 3).Draw(rt, "hours") == 0 {
			set.Attended = pace.Hours{ToMin: 60 * rapid.IntRange(1, 23).Draw(rt, "until")}
		}
		now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
		m, err := NewMachine(context.Background(), set, l, nil, "twin", now)
		if err != nil {
			rt.Fatal(err)
		}
		w := &twin{t: rt, m: m, l: l, now: now, plan: plan, state: Stopped, open: map[int64]bool{}, seen: seen}
		w.m.belt.latest.State = gcode.NewState()
		w.judge(m.Begin(now))
		rt.Repeat(map[string]func(*rapid.T){
			"": func(rt *rapid.T) {
				if m.State() != w.state {
					rt.Fatalf("machine is %s, its records say %s", m.State(), w.state)
				}
			},
			"board 1": w.board, "board 2": w.board, "board 3": w.board, "board 4": w.board,
			"board 5": w.board, "board 6": w.board, "board 7": w.board, "board 8": w.board,
			"clock":   w.clock,
			"operate": w.operate,
			"visit":   w.visit,
			"break":   w.breakLink,
			"disk":    w.disk,
		})
		problems, err := l.Check(context.Background())
		if err != nil || len(problems) > 0 {
			rt.Fatalf("ledger: %v %v", problems, err)
		}
		w.comesBack(rt, set)
	})
}

// atRandom checks a property until everything that it must reach was seen. The usual number of cases
// reaches it nearly always; otherwise it continues, up to a bound that chance never reaches. With
// -short only the usual number runs.
func atRandom(t *testing.T, seen map[string]int, must []string, property func(*rapid.T)) {
	t.Helper()
	// A lot takes about a hundred events; the library's usual 30 would never finish one. All
	// properties of the package share the flag, since they run in parallel.
	if err := flag.Set("rapid.steps", "400"); err != nil {
		t.Fatal(err)
	}
	t.Parallel() // after the flag is set, which others read
	missing := must
	for range 50 {
		rapid.Check(t, property)
		missing = slices.DeleteFunc(slices.Clone(must), func(what string) bool { return seen[what] > 0 })
		if len(missing) == 0 || testing.Short() {
			break
		}
	}
	t.Logf("seen over all runs: %v", seen)
	if len(missing) > 0 && !testing.Short() {
		t.Errorf("never seen: %q; the test does not reach what it is for", missing)
	}
}
