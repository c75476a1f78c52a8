package supervisor

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// TestShapesOnTheRig makes three parts of every accepted shape of testdata/jobs/shapes and judges by
// the machine's own record: each part gets the same lines and filament, nothing is extruded between
// two parts, none is laid on another, and belt travel and pitch are as announced. By default it makes
// every third; BELTWARDEN_SHAPES=all makes all.
func TestShapesOnTheRig(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	paths, err := filepath.Glob("../testdata/jobs/shapes/*.gcode")
	if err != nil || len(paths) < 120 {
		t.Fatalf("%d shapes (%v)", len(paths), err)
	}
	for n, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		every := 3
		if os.Getenv("BELTWARDEN_SHAPES") == "all" {
			every = 1
		}
		if strings.Contains(string(text[:min(30, len(text))]), "refuse") || n%every > 0 || strings.Contains(string(text), "\nM0 S2\n") {
			continue // the rig's M0 waits whatever its timeout
		}
		t.Run(strings.TrimSuffix(filepath.Base(path), ".gcode"), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := newRun(t, testRig(), testSettings())
				x.start()
				x.until(Idle, time.Minute)
				plan := x.plan(path)
				x.do(Request{By: "test", Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{3}, Start: true}})
				if s := x.until(Complete, 24*time.Hour); s.Lot.Made != 3 {
					t.Fatalf("%d parts made, want 3", s.Lot.Made)
				}
				judgeParts(t, x, plan)
				for _, hit := range hits(x.rig.Record(), x.set.BeltAxis, x.set.LiftAxis) {
					t.Error(hit)
				}
				if fig := x.rig.Figures(); fig.ColdExtrusions+fig.BeltHomings+fig.LimitHits+fig.Collisions+fig.LaidOn > 0 {
					t.Errorf("%d cold extrusions, %d homings of the belt, %d limits hit, %d parts run into, %d laid on others: %v",
						fig.ColdExtrusions, fig.BeltHomings, fig.LimitHits, fig.Collisions, fig.LaidOn, fig.Damage)
				}
				x.stop()
			})
		})
	}
}

// judgeParts compares what the board was sent for each of three parts.
func judgeParts(t *testing.T, x *run, plan *job.Plan) {
	t.Helper()
	type at struct {
		text               string
		belt, travel, push float64 // so far
		extruding          bool
		feed               float64
	}
	var lines []at
	var ends []int // of the parts: their last lines
	s, now := gcode.NewState(), at{}
	for _, e := range x.rig.Record() {
		switch {
		case strings.HasPrefix(e.Text, "M110 N9") && e.Text != "M110 N9":
			ends = append(ends, len(lines)) // the part's last line follows
		}
		if e.Text == "M105" || strings.HasPrefix(e.Text, "M110") {
			continue
		}
		effect, err := s.Apply([]byte(e.Text))
		if err != nil {
			t.Fatalf("%q: %v", e.Text, err)
		}
		now.text, now.extruding, now.feed = e.Text, false, 0
		if effect.Kind == gcode.KindMove {
			now.belt += effect.Delta(x.set.BeltAxis)
			now.travel += effect.Travel(x.set.BeltAxis)
			now.push += effect.ExtrudedMM
			now.extruding = effect.Extruding
			if effect.Travel(x.set.BeltAxis) > 0 {
				now.feed = effect.FeedMMPerMin
			}
		}
		lines = append(lines, now)
	}
	if len(ends) != 3 {
		t.Fatalf("%d ends of parts, want 3", len(ends))
	}
	texts := func(list []at) (out []string) {
		for _, l := range list {
			out = append(out, l.text)
		}
		return out
	}
	count := int(plan.Body.SendLines)
	for k, end := range ends {
		first, before := end-count+1, lines[end-count]
		if got, want := texts(lines[first:end+1]), texts(lines[ends[0]-count+1:ends[0]+1]); !slices.Equal(got, want) {
			t.Errorf("part %d has other lines than the first", k+1)
		}
		if mm := lines[end].travel - before.travel; math.Abs(mm-plan.BeltTravelMM) > 0.1 {
			t.Errorf("part %d: the belt travelled %.2f mm, announced %.2f", k+1, mm, plan.BeltTravelMM)
		}
		if k == 0 {
			continue
		}
		last := lines[ends[k-1]-count] // before the part before
		if mm := math.Abs(before.belt - last.belt); math.Abs(mm-plan.PitchMM) > 0.1 {
			t.Errorf("part %d lies %.2f mm behind the one before, announced %.2f", k+1, mm, plan.PitchMM)
		}
		if mm := before.push - last.push; math.Abs(mm-plan.FilamentMM) > 0.1 {
			t.Errorf("part %d took %.2f mm of filament, announced %.2f", k, mm, plan.FilamentMM)
		}
		for _, l := range lines[ends[k-1]+1 : first] {
			if l.extruding {
				t.Errorf("%q extrudes between parts %d and %d", l.text, k, k+1)
			}
		}
	}
	out := 0.0
	for n := ends[2] + 1; n < len(lines); n++ {
		if l := lines[n]; l.feed > 0 && l.feed != x.set.AdvanceFeed {
			out += l.travel - lines[n-1].travel
		} else if l.extruding {
			t.Errorf("%q extrudes after the last part", l.text)
		}
	}
	if math.Abs(out-plan.LeadOutBeltMM) > 0.1 {
		t.Errorf("the lead-out moved the belt by %.2f mm, announced %.2f", out, plan.LeadOutBeltMM)
	}
}

// TestNamedWordsOnTheRig: a job that leaves heat and the extruder's mode to a command of the board's
// own is made, part for part alike, once the configuration describes that command.
func TestNamedWordsOnTheRig(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	part := "BEGIN_JOB BED=60 EXTRUDER=210\nG28 X Z\nG90\nG1 X20 Y5 Z0.2 F3000\n"
	for layer := range 3 {
		part += fmt.Sprintf("G1 Z%.1f F600\nG1 X40 Y5 E0.7 F1800\nG1 X40 Y15 E0.35\nG1 X20 Y15 E0.7\nG1 X20 Y5 E0.35\nG1 E-1 F2400\nG1 E1\n", 0.2+0.2*float64(layer))
	}
	path := filepath.Join(t.TempDir(), "clip.gcode")
	if err := os.WriteFile(path, []byte(part+"FINISH_JOB\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.opts = testJobOptions()
		x.opts.NamedWords = []job.NamedWord{{Word: "BEGIN_JOB", Nozzle: "EXTRUDER", Bed: "BED", Homes: true, Extruder: "relative"}, {Word: "FINISH_JOB", Nozzle: "0", Bed: "0"}}
		x.start()
		x.until(Idle, time.Minute)
		plan := x.plan(path)
		x.do(Request{By: "test", Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{3}, Start: true}})
		if s := x.until(Complete, 24*time.Hour); s.Lot.Made != 3 {
			t.Fatalf("%d parts made, want 3", s.Lot.Made)
		}
		judgeParts(t, x, plan)
		if fig := x.rig.Figures(); fig.ColdExtrusions+fig.Collisions > 0 {
			t.Errorf("%d cold extrusions, %d parts run into", fig.ColdExtrusions, fig.Collisions)
		}
		x.stop()
	})
}
