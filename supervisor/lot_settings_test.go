package supervisor

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// Two jobs of one lot for the rig. The peg sets nothing of what the clip sets.
const (
	clipSets = "M201 X250 Y250\nM203 X25 Y25\nM204 P200 T200\nM220 S70\nM221 S93\nM106 S180\nM106 P1 S90\nM141 S35\nM104 T1 S180\nM83\n"
	plainJob = "G21\nG90\n%sG28 X Z\nM104 S200\nM140 S50\nG92 E0\nG1 Z5 F600\nG1 X20 F6000\nG1 Z0.2 F600\n" +
		"G1 X90 Y10 E4 F6000\nG1 X20 E8\nG1 X90 Y0 E12\nG1 E10 F1800\nG1 Z5 F600\nM104 S0\nM140 S0\n"
)

// twoJobs writes a clip that begins with some lines and a peg that does not.
func twoJobs(t *testing.T, sets string) (clip, peg string) {
	t.Helper()
	dir := t.TempDir()
	clip, peg = filepath.Join(dir, "clip.gcode"), filepath.Join(dir, "peg.gcode")
	relative := strings.NewReplacer("E8", "E4", "E12", "E4", "E10", "E-2")
	for path, text := range map[string]string{clip: relative.Replace(fmt.Sprintf(plainJob, sets)), peg: fmt.Sprintf(plainJob, "M82\n")} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return clip, peg
}

// partBegun is the machine's state when a part began, from the lines that it received.
type partBegun struct{ settings, modes string }

// partsBegun collects the parts of a plan from the record. own are the board's own settings.
func partsBegun(t *testing.T, x *run, plan *job.Plan, own gcode.State) (list []partBegun) {
	t.Helper()
	r, err := plan.Open(job.Body)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var body []string
	for {
		line, err := r.Next(nil)
		if err != nil {
			break
		}
		body = append(body, string(line))
	}
	var lines []rig.Executed
	for _, e := range x.rig.Record() {
		if e.Text != "M105" && !strings.HasPrefix(e.Text, "M110") {
			lines = append(lines, e)
		}
	}
	s := own
	for k, e := range lines {
		begins := k+len(body) < len(lines)
		for n := 0; begins && n < len(body); n++ {
			begins = lines[k+n].Text == body[n]
		}
		if begins {
			settings := ""
			for n := range s.Settings {
				for b := byte('A'); b <= 'Z'; b++ {
					if v, ok := s.Settings[n].Get(b); ok && v > 0 && b != 'S' { // S of M204 is P and T
						settings += fmt.Sprintf(" M%d %c%g", gcode.SettingWord(n), b, v)
					}
				}
			}
			for _, line := range s.Lasting.Lines() {
				if !strings.HasSuffix(line, " S0") {
					settings += " " + line
				}
			}
			list = append(list, partBegun{settings, fmt.Sprint(s.FeedPercent, s.FlowPercent, s.FanS, s.RelativeE, s.Relative, s.Inches, s.NozzlesC, s.Tool)})
		}
		if _, err := s.Apply([]byte(e.Text)); err != nil {
			t.Fatalf("%q: %v", e.Text, err)
		}
	}
	return list
}

// TestALotsJobsDoNotMeet makes parts of two jobs in turn. One sets limits, accelerations, factors,
// fans and the extruder's mode, the other none of them: its parts are made as in a lot of its own.
func TestALotsJobsDoNotMeet(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	clip, peg := twoJobs(t, clipSets)
	inBubble(t, func(t *testing.T) {
		parts := func(paths ...string) []partBegun {
			x := newRun(t, testRig(), testSettings())
			x.start()
			x.until(Idle, time.Minute)
			var plans []*job.Plan
			var good []int
			for _, p := range paths {
				plans, good = append(plans, x.plan(p)), append(good, 2)
			}
			x.do(Request{By: "test", Lot: &LotRequest{Plans: plans, Good: good, Order: ledger.OrderTurn, Start: true}})
			s := x.until(Complete, 24*time.Hour)
			if len(paths) > 1 { // the lines that undo the peg's settings are listed with the lot
				l, err := x.ledger.Lot(t.Context(), s.Lot.ID)
				if err != nil {
					t.Fatal(err)
				}
				for _, want := range []string{"M107", "M106 P1 S0", "M141 S0", "M104 T1 S0", "M220 S100"} {
					if !slices.ContainsFunc(l.Alterations, func(a ledger.Alteration) bool { return a.JobIndex == 1 && a.Text == want }) {
						t.Errorf("%s is not among the lot's alterations", want)
					}
				}
			}
			x.stop()
			list := partsBegun(t, x, plans[len(plans)-1], x.s.machine.link.board.OwnSettings)
			if len(list) != 2 {
				t.Fatalf("%d parts of %s in the machine's record, want 2", len(list), paths[len(paths)-1])
			}
			return list
		}
		alone, after := parts(peg), parts(clip, peg)
		for k := range after {
			if after[k] != alone[k] {
				t.Errorf("part %d of the peg after one of the clip: %+v; by itself: %+v", k+1, after[k], alone[k])
			}
		}
	})
}

// TestALotIsRefusedThatCannotBeKeptApart: the board does not report its own value of what one job
// sets.
func TestALotIsRefusedThatCannotBeKeptApart(t *testing.T) {
	oneMachine(t)
	t.Parallel()
	clip, peg := twoJobs(t, "M900 K0.08\n"+clipSets)
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{By: "test", Lot: &LotRequest{Plans: []*job.Plan{x.plan(clip), x.plan(peg)}, Good: []int{1, 1}}})
		if err := x.refuse(Request{By: "test", Command: Start}); !strings.Contains(err.Error(), "clip sets M900 K and peg does not") {
			t.Errorf("refused: %v", err)
		}
		x.do(Request{By: "test", Command: Start, Override: "the advance is the same for both"})
		x.until(Complete, 24*time.Hour)
		x.stop()
	})
}

// TestWhatABoardKeepsIsNotItsOwn: a board that does not restart when its port is reopened reports
// settings from a job of the previous process.
func TestWhatABoardKeepsIsNotItsOwn(t *testing.T) {
	t.Parallel()
	clip, peg := twoJobs(t, clipSets)
	inBubble(t, func(t *testing.T) {
		r := testRig()
		r.Board = rig.Variations()["lasting"]
		x := newRun(t, r, testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{By: "test", Lot: &LotRequest{Plans: []*job.Plan{x.plan(clip)}, Good: []int{1}, Start: true}})
		x.until(Complete, 24*time.Hour)
		x.do(Request{By: "test", Visit: &Visit{Good: 1}})
		x.stop()
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{By: "test", Lot: &LotRequest{Plans: []*job.Plan{x.plan(clip), x.plan(peg)}, Good: []int{1, 1}}})
		if err := x.refuse(Request{By: "test", Command: Start}); !strings.Contains(err.Error(), "clip sets M201 X, M201 Y, M203 X, M203 Y, M204 P, M204 T and peg does not") {
			t.Errorf("refused: %v", err)
		}
		x.stop()
	})
}
