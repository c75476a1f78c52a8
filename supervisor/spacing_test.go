package supervisor

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// lineJob is a part of a few straight lines that begins at Y beginMM and covers
// fromMM to toMM along the belt.
func lineJob(t *testing.T, name string, beginMM, fromMM, toMM float64) string {
	t.Helper()
	text := fmt.Sprintf(`G21
G90
M82
M140 S60
M104 S200
G28
G92 E0
G1 X10 Y%g Z0.4 F3000
G1 X30 E2 F900
G1 Y%g E4
G1 X10 E6
G1 Y%g E12
G1 X30 E14
G1 E12 F1800
M104 S0
M140 S0
M84
`, beginMM, fromMM, toMM)
	path := filepath.Join(t.TempDir(), name+".gcode")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestJobsOfOneLotLieApart: two jobs that begin at different belt coordinates, and reach back towards
// the drop edge by different amounts, still leave the gap between any two parts.
func TestJobsOfOneLotLieApart(t *testing.T) {
	withoutRace(t)
	for _, order := range []string{"turn", "blocks"} {
		for _, swap := range []bool{false, true} {
			t.Run(fmt.Sprint(order, swap), func(t *testing.T) {
				inBubble(t, func(t *testing.T) {
					x := newRun(t, testRig(), testSettings())
					x.start()
					x.until(Idle, time.Minute)
					plans := []*job.Plan{x.plan(lineJob(t, "far", 60, 20, 70)), x.plan(lineJob(t, "near", 5, 5, 25))}
					if swap {
						plans[0], plans[1] = plans[1], plans[0]
					}
					x.do(Request{Lot: &LotRequest{Order: order, Plans: plans, Good: []int{2, 2}, Start: true}})
					x.until(Complete, 24*time.Hour)
					end := -math.MaxFloat64
					for _, p := range x.rig.Parts() {
						if p.FromMM-end < testSettings().GapMM-0.01 {
							t.Errorf("%s, swapped %t: part %d lies at %.2f to %.2f mm, the one before ends at %.2f", order, swap, p.ID, p.FromMM, p.ToMM, end)
						}
						end = p.ToMM
					}
					if n := len(x.rig.Parts()); n != 4 {
						t.Errorf("%s, swapped %t: %d parts, want 4", order, swap, n)
					}
					x.stop()
				})
			})
		}
	}
}
