package supervisor

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
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

// twin plays board, operator and clock against a Machine at random, commits every
// record to a real ledger, whose own rules are the judge, and watches the order of
// records and effects.
type twin struct {
	t       *rapid.T
	m       *Machine
	l       *ledger.Ledger
	now     time.Time
	plan    *job.Plan
	state   State
	link    linkPhase
	running uint64 // program at the board
	body    bool   // it makes a part
	begun   int64  // newest cycle that is durable
	ended   bool   // newest body was completed by the board
	later   bool   // a request waits for its answer
	cancel  bool   // the program is to be cut short
	open    map[int64]bool
	seen    map[string]int // states entered and fates of cycles, over all runs
}

// feed hands the machine an event and checks what comes out.
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

// follow checks that a change of state is one of the standard's.
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
	case RunProgram:
		if w.link != linkUp {
			w.t.Fatal("program sent without a board")
		}
		if w.running != 0 {
			w.t.Fatalf("program %d sent while %d runs", e.ID, w.running)
		}
		w.running, w.cancel = e.ID, false
		w.body = e.Program.EndNumber > 0
		if w.body && e.Program.EndNumber != endNumber(w.begun) {
			w.t.Fatalf("body of a cycle that is not the newest durable one (%d)", w.begun)
		}
	}
}

// never is longer than a test.
const never = 10000 * time.Hour

// TestMachineAtRandom drives the machine with random events.
func TestMachineAtRandom(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tiny.gcode")
	if err := os.WriteFile(path, []byte(tinyJob), 0o600); err != nil {
		t.Fatal(err)
	}
	plan, err := job.Inspect(context.Background(), path, testJobOptions(), nil)
	if err != nil {
		t.Fatal(err)
	}
	// A lot takes a hundred events or so; the library's usual 30 would never end one.
	if err := flag.Set("rapid.steps", "250"); err != nil {
		t.Fatal(err)
	}
	t.Parallel() // after the flag is set, which others read
	n := 0
	seen := map[string]int{}
	rapid.Check(t, func(rt *rapid.T) {
		n++
		l, err := ledger.Open(fmt.Sprintf("twin-%d", n), ledger.Options{Memory: true})
		if err != nil {
			rt.Fatal(err)
		}
		defer l.Close()
		set := testSettings()
		// Its readings jump as no heater's do; that is another test's matter.
		calm := heat.Limits{Name: "heater", RiseC: 1, OverC: 1000, FallC: 1000, NearC: 10, RiseWithin: never, FallFor: never, OverFor: never, StillFor: never, HeldFor: never}
		set.NozzleWatch, set.BedWatch, set.ReadingLost = calm, calm, never
		set.PartEveryParts = rapid.IntRange(0, 3).Draw(rt, "every")
		set.BinParts, set.SeamMM, set.DiskReserve = rapid.IntRange(0, 4).Draw(rt, "bin"), 20, 50e6
		if rapid.IntRange(0, 3).Draw(rt, "hours") == 0 {
			set.Attended = Span{0, 60 * rapid.IntRange(1, 23).Draw(rt, "until")}
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
	t.Logf("entered over all runs: %v", seen)
	if testing.Short() {
		return // too few runs to reach everything
	}
	for _, s := range States() {
		if seen[s.String()] == 0 {
			t.Errorf("no run entered %s: the test does not reach what it is for", s)
		}
	}
	for _, fate := range []string{"made", "discharged", "interrupted", "decided"} {
		if seen[fate] == 0 {
			t.Errorf("no cycle was %s: the test does not reach what it is for", fate)
		}
	}
	if seen["corrected"] == 0 {
		t.Error("no check was corrected: the test does not reach what it is for")
	}
}

// board lets the board do what it would do next.
func (w *twin) board(rt *rapid.T) {
	switch {
	case w.link == linkOpening:
		w.link = linkUp
		w.feed(LinkSynced{LastNumber: rapid.Int64Range(-1, 5).Draw(rt, "last"), Reset: rapid.Bool().Draw(rt, "reset")})
	case w.link == linkUp && w.running != 0 && rapid.IntRange(0, 9).Draw(rt, "late") > 0:
		id := w.running
		w.running = 0
		if w.cancel && rapid.Bool().Draw(rt, "cut") {
			w.feed(ProgramCancelled{id})
			return
		}
		w.accepts(rt)
		w.ended = w.ended || w.body
		if rapid.IntRange(0, 30).Draw(rt, "fails") == 0 {
			w.ended = false
			w.feed(ProgramFailed{id, errors.New("job file has changed")})
			return
		}
		w.feed(ProgramDone{id})
	case w.link == linkUp:
		w.now = w.now.Add(time.Second)
		wait := w.m.work.waiting
		hot := wait == nil || wait.bedToC == 0
		if rapid.IntRange(0, 4).Draw(rt, "not yet") == 0 {
			hot = !hot
		}
		r := serialio.Reply{Kind: serialio.ReplyTemps}
		r.Temps.HasNozzle, r.Temps.HasBed = true, true
		if hot {
			r.Temps.NozzleC, r.Temps.BedC = 205, 61
		} else {
			r.Temps.NozzleC, r.Temps.BedC = 30, 30
		}
		w.feed(Reported{r})
	}
}

func (w *twin) clock(rt *rapid.T) {
	w.now = w.now.Add(time.Duration(rapid.IntRange(1, 1000).Draw(rt, "s")) * time.Second)
	w.feed(Tick{})
}

func (w *twin) breakLink(rt *rapid.T) {
	if rapid.IntRange(0, 19).Draw(rt, "spare") > 0 {
		return
	}
	err := rapid.SampledFrom([]error{serialio.ErrUnplugged, serialio.ErrReset, serialio.ErrHalted, serialio.ErrSilent}).Draw(rt, "error")
	switch w.link {
	case linkOpening:
		w.link = linkDown
		w.feed(LinkFailed{err})
	case linkUp:
		w.running = 0
		w.feed(LinkLost{err})
	}
}

// disk measures the room for the ledger, which is mostly enough.
func (w *twin) disk(rt *rapid.T) {
	was := w.state
	free := rapid.SampledFrom([]int64{10e6, 55e6, 1e9, 1e9, 1e9, 1e9, 1e9, 1e9, 1e9, 1e9}).Draw(rt, "free")
	w.feed(RoomLeft{free})
	if w.state != was {
		rt.Fatalf("%d bytes free, and without a word it is %s after %s", free, w.state, was)
	}
}

func (w *twin) operate(rt *rapid.T) {
	var likely []Command // what a sensible operator would do here
	for _, c := range Commands() {
		if _, ok := Transition(w.state, c); ok && c != Stop && c != Abort {
			likely = append(likely, c)
		}
	}
	if len(likely) == 0 || rapid.IntRange(0, 9).Draw(rt, "harsh") == 0 {
		likely = Commands()
	}
	switch { // or they would hardly ever be drawn
	case w.state == Execute && rapid.Bool().Draw(rt, "starved"):
		likely = []Command{Suspend}
	case w.state == Suspended:
		likely = []Command{Unsuspend}
	}
	r := Request{Command: rapid.SampledFrom(likely).Draw(rt, "command"),
		AfterPart: rapid.Bool().Draw(rt, "after"), ClearBelt: rapid.Bool().Draw(rt, "clear")}
	switch rapid.IntRange(0, 15).Draw(rt, "kind") {
	case 0:
		r.EndLot = true
	case 1, 2, 3:
		r.Lot = &LotRequest{Plans: []*job.Plan{w.plan}, Good: []int{rapid.SampledFrom([]int{1, 1, 1, 2, 4}).Draw(rt, "good")}, Start: true}
	}
	if rapid.Bool().Draw(rt, "override") {
		r.Override = "tried by hand"
	}
	w.feed(r)
}

// comesBack takes the ledger up with another machine: what the visits told must be known
// to it as it is to the one that was told.
func (w *twin) comesBack(rt *rapid.T, set Settings) {
	inspect := func(context.Context, string) (*job.Plan, error) { return w.plan, nil }
	again, err := NewMachine(context.Background(), set, w.l, inspect, "again", w.now)
	if err != nil {
		rt.Fatal(err)
	}
	a, b := w.m, again
	if x, y := a.rules.drift.readings, b.rules.drift.readings; !slices.Equal(x, y) {
		rt.Fatalf("readings %v came back as %v", x, y)
	}
	if x, y := a.rules.drift.scatter, b.rules.drift.scatter; math.Abs(x.SDMM-y.SDMM) > 1e-9 || x.DF != y.DF {
		rt.Fatalf("scatter %+v came back as %+v", x, y)
	}
	if a.belt.seam.seen != b.belt.seam.seen || math.Abs(a.belt.seam.atMM-b.belt.seam.atMM) > 1e-9 {
		rt.Fatalf("the seam %+v came back as %+v", a.belt.seam, b.belt.seam)
	}
	if x, y := a.supply, b.supply; x.weighed != y.weighed || x.spoolG != y.spoolG || x.emptied != y.emptied || x.emptied && x.binned != y.binned {
		rt.Fatalf("supply %+v came back as %+v", x, y)
	}
	if x, y := a.surfaceView(), b.surfaceView(); (x == nil) != (y == nil) || x != nil && math.Abs(x.TravelMM-y.TravelMM) > 1e-9 {
		rt.Fatalf("surface %+v came back as %+v", x, y)
	}
	if a.lot == nil || b.lot == nil {
		return
	}
	if !slices.Equal(a.lot.jobs, b.lot.jobs) {
		rt.Fatalf("counts %+v came back as %+v", a.lot.jobs, b.lot.jobs)
	}
	if x, y := a.lot.sizeView(0), b.lot.sizeView(0); (x == nil) != (y == nil) || x != nil && (x.N != y.N || x.Phase != y.Phase || x.MeanMM != y.MeanMM || x.NewestMM != y.NewestMM) {
		rt.Fatalf("sizes %+v came back as %+v", x, y)
	}
}

func (w *twin) visit(rt *rapid.T) {
	v := &Visit{Good: rapid.IntRange(0, 2).Draw(rt, "good"), BeltCleared: rapid.Bool().Draw(rt, "cleared"),
		Realigned: rapid.Bool().Draw(rt, "realigned"), Interrupted: rapid.SampledFrom([]string{"", "good", "scrap"}).Draw(rt, "interrupted")}
	if rapid.Bool().Draw(rt, "scrapped") {
		v.Scrap = map[string]int{"loose": rapid.IntRange(0, 1).Draw(rt, "scrap")}
	}
	if rapid.Bool().Draw(rt, "measured") {
		mm := rapid.Float64Range(-4, 4).Draw(rt, "offset")
		v.OffsetMM = &mm
	}
	switch rapid.IntRange(0, 9).Draw(rt, "brought") {
	case 0:
		grams := rapid.Float64Range(0, 2).Draw(rt, "spool") // the part takes milligrams
		v.SpoolG = &grams
	case 1:
		v.BinEmptied = true
	case 2:
		ahead := rapid.Float64Range(-1500, 1500).Draw(rt, "seam")
		v.SeamMM = &ahead
	case 4:
		v.Surface = "cleaned"
	case 5:
		v.DetachedMin = []float64{rapid.Float64Range(0.1, 9).Draw(rt, "minute")}
	case 3:
		v.LengthsMM = rapid.SliceOfN(rapid.Float64Range(19.9, 20.1), 1, 25).Draw(rt, "lengths")
	}
	r := Request{Visit: v}
	v.Sure = rapid.IntRange(0, 3).Draw(rt, "sure") > 0
	if n := w.m.ids.Check; n > 1 && rapid.IntRange(0, 3).Draw(rt, "corrects") == 0 {
		v.Surface, v.Corrects, v.Interrupted, v.SeamMM, v.BeltCleared = "", rapid.Int64Range(1, n).Draw(rt, "which"), "", nil, false
		past, err := ReadPast(context.Background(), w.l, v.Corrects)
		if err != nil {
			rt.Fatal(err)
		}
		r.Past = past
		if out := w.feed(r); out.Refused == nil {
			w.seen["corrected"]++
		}
		return
	}
	w.feed(r)
	w.m.Snapshot(w.now)
}
