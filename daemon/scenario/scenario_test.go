package scenario

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// The embedded job is the one that people find among the examples.
func TestClipIsTheExample(t *testing.T) {
	want, err := os.ReadFile(filepath.Join("..", "..", "testdata", "jobs", "stake-clip.gcode"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(clip, want) {
		t.Error("daemon/scenario/stake-clip.gcode differs from testdata/jobs/stake-clip.gcode; copy it")
	}
}

// patience bounds waits that only a hang makes long: generous, since the computer may be slow and busy.
const patience = 5 * time.Minute

func open(t *testing.T, parts int) (*World, context.Context) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	t.Cleanup(cancel)
	// The socket's path must be short, and a test's own directory often is not.
	dir, err := os.MkdirTemp("", "bw")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	w, err := Open(ctx, Options{Parts: parts, Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := w.Close(context.WithoutCancel(ctx)); err != nil {
			t.Error(err)
		}
	})
	return w, ctx
}

// What the ledger says of a lot is what the machine did: parts, belt, filament.
func TestLedgerAgreesWithTheMachine(t *testing.T) {
	w, ctx := open(t, 6)
	if err := w.Order(ctx); err != nil {
		t.Fatal(err)
	}
	if err := w.Operate(ctx); err != nil {
		t.Fatal(err)
	}
	s, err := w.Summary(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if !s.Fulfilled() || s.LotStatus != "closed" || s.CyclesCompleted != 6 || s.Witness.Parts != 6 || s.Witness.Dropped != 6 {
		t.Errorf("6 were ordered: %+v", s)
	}
	for what, pair := range map[string][2]float64{
		"belt travel":  {s.BeltTravelMM, s.Witness.BeltTravelMM},
		"belt advance": {s.BeltAdvanceMM, s.Witness.BeltAdvanceMM},
		"filament":     {s.FilamentMM, s.Witness.FilamentMM},
	} {
		if math.Abs(pair[0]-pair[1]) > 0.01 || pair[0] < 100 {
			t.Errorf("%s: the ledger has %.3f mm, the machine %.3f mm", what, pair[0], pair[1])
		}
	}
	if len(s.Holds) != 1 || s.Holds[0].AtPart != 3 || s.Holds[0].Reason != supervisor.CauseCheckParts {
		t.Errorf("a check is due after 3 of 6 parts: %+v", s.Holds)
	}
}

// Faults in the middle of parts cost parts, and never the count.
func TestOperatorThroughFaults(t *testing.T) {
	w, ctx := open(t, 4)
	for _, text := range []string{"reset@line=1200", "lose-ok@line=500", "flip@rate=1e-4,way=board", "unplug@line=2900,for=3s"} {
		f, err := rig.ParseFault(text)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.rig.Inject(f); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Order(ctx); err != nil {
		t.Fatal(err)
	}
	if err := w.Operate(ctx); err != nil {
		t.Fatal(err)
	}
	s, err := w.Summary(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if !s.Fulfilled() || s.CyclesBegun <= s.CyclesCompleted {
		t.Errorf("a reset in the middle of a part costs that part: %+v", s)
	}
	whole := 0
	for _, p := range w.rig.Parts() {
		if p.FilamentMM > 500 { // a clip takes 502.9 mm
			whole++
		}
	}
	// A part that was interrupted before any plastic came is scrap, and nothing on the machine: two faults may do so.
	if s.Good+s.Scrap > len(w.rig.Parts())+2 || s.Good > whole || s.CyclesCompleted > whole {
		t.Errorf("%d good, %d scrap and %d made of %d parts on the machine, %d of them whole", s.Good, s.Scrap, s.CyclesCompleted, len(w.rig.Parts()), whole)
	}
	if faults := w.rig.Figures().Faults; faults["reset"] != 1 || faults["unplug"] != 1 || faults["flip"] == 0 || faults["lose-ok"] == 0 {
		t.Errorf("the faults did not happen: %v", faults)
	}
}

// A person who types what the hints say, and nothing else, gets the lot made, and
// what they record as done is done at the machine.
func TestPersonFollowsTheHints(t *testing.T) {
	w, ctx := open(t, 3)
	followed := make(chan error, 1)
	stop, cancel := context.WithCancel(ctx)
	if err := w.Order(ctx); err != nil {
		t.Fatal(err)
	}
	go func() { followed <- w.Follow(stop) }()
	defer func() {
		cancel()
		if err := <-followed; err != nil {
			t.Error(err)
		}
	}()
	var s *supervisor.Snapshot
	for { // until the bound of ctx
		var err error
		if s, err = w.Status(ctx); err != nil {
			t.Fatal(err)
		}
		if s.State == supervisor.Complete {
			break
		}
		time.Sleep(5 * time.Millisecond) // the machine is a simulation in real time
	}
	hints := w.Hints(ctx, s, "beltwarden")
	if len(hints) != 2 || !strings.Contains(hints[0], "3 whole parts not counted yet") || !strings.HasPrefix(hints[1], "  beltwarden check --offset-mm ") ||
		!strings.HasSuffix(hints[1], " --good 3") {
		t.Fatalf("the lot is made and waits to be counted: %q", hints)
	}
	w.rig.Realign(2.4)
	if hints = w.Hints(ctx, s, "beltwarden"); !strings.Contains(hints[1], "--offset-mm 2.4 --good 3 --realigned") {
		t.Fatalf("a belt far out is realigned: %q", hints)
	}
	offset := 2.4
	if _, err := w.client.Check(ctx, client.CheckRequest{Visit: supervisor.Visit{OffsetMM: &offset, Good: 3, Realigned: true, BinEmptied: true}}); err != nil {
		t.Fatal(err)
	}
	for ctx.Err() == nil {
		if math.Abs(w.rig.LateralOffsetMM()) < 0.2 {
			break
		}
		time.Sleep(5 * time.Millisecond)
	}
	if off := w.rig.LateralOffsetMM(); math.Abs(off-residualMM) > 0.01 {
		t.Errorf("the belt still stands %.2f mm off after it was recorded as tracked", off)
	}
	if s, _ = w.Status(ctx); s.Lot.Status != "closed" || len(w.Hints(ctx, s, "beltwarden")) > 2 {
		t.Errorf("the lot is %s", s.Lot.Status)
	}
}
