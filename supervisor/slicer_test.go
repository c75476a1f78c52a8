package supervisor

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// TestSlicedFilesRunCleanly runs files with the start and end blocks that slicers
// commonly write, on both kinds of board (G90 and G91 change the extruder's mode,
// or not), and judges by the machine's own record.
func TestSlicedFilesRunCleanly(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	purgesMM := map[string]float64{"stake-clip": 0, "stake-clip-tilted": 0, "drip-peg": 0, "clip-start-block": 30, "clip-snapshots": 0}
	for name, purgeMM := range purgesMM {
		for _, alone := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, extruder alone %t", name, alone), func(t *testing.T) {
				inBubble(t, func(t *testing.T) {
					rs := testRig()
					rs.Board.ExtruderKeepsMode = alone
					set, options := testSettings(), testJobOptions()
					if strings.HasSuffix(name, "tilted") {
						rs.Belt.Axis = 'Z'
						set.BeltAxis, set.LiftAxis = gcode.Z, gcode.Y
						options.BeltAxis, options.HomedAxes = gcode.Z, []gcode.Axis{gcode.X, gcode.Y}
					}
					x := newRun(t, rs, set)
					x.opts = options
					x.start()
					x.until(Idle, time.Minute)
					plan := x.plan("../testdata/jobs/" + name + ".gcode")
					x.do(Request{By: "test", Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{3}, Start: true}})
					if s := x.until(Complete, 24*time.Hour); s.Lot.Made != 3 {
						t.Errorf("%d parts made, want 3", s.Lot.Made)
					}
					fig := x.rig.Figures()
					// The differences: a filled nozzle before, up to 4 mm retracted after.
					if want := 3*plan.FilamentMM + purgeMM; math.Abs(fig.FilamentMM-want) > 8 {
						t.Errorf("net filament %.2f mm, want %.2f within 8", fig.FilamentMM, want)
					}
					if _, nozzle, _, bed := x.rig.Temperatures(); nozzle != 0 || bed != 0 || fig.ColdExtrusions != 0 {
						t.Errorf("targets %.0f and %.0f °C left, %d cold extrusions", nozzle, bed, fig.ColdExtrusions)
					}
					for _, hit := range hits(x.rig.Record(), x.set.BeltAxis, x.set.LiftAxis) {
						t.Error(hit)
					}
					x.stop()
				})
			})
		}
	}
}

// hits lists the moves that take the nozzle through plastic of an earlier part. It records the plastic
// on a map of square millimetres that moves with the belt.
func hits(record []rig.Executed, belt, lift gcode.Axis) []string {
	type square struct{ along, across int }
	type plastic struct {
		topMM float64
		part  int
	}
	var found []string
	laid := map[square]plastic{}
	s, part, last := gcode.NewState(), 0, false
	for _, e := range record {
		from := s
		effect, err := s.Apply([]byte(e.Text))
		if err != nil {
			return append(found, err.Error())
		}
		if e.Text == "M400" && last { // the part has ended
			part++
		}
		if strings.HasPrefix(e.Text, "M110 N") {
			last = strings.HasPrefix(e.Text, "M110 N9") // its last line follows
		}
		if effect.Kind != gcode.KindMove {
			continue
		}
		steps := math.Ceil(effect.PathMM*2) + 1
		hit := false
		for k := range int(steps) + 1 {
			at := func(a gcode.Axis) float64 {
				return from.MachineMM(a) + (s.MachineMM(a)-from.MachineMM(a))*float64(k)/steps
			}
			place := square{int(math.Round(at(belt))), int(math.Round(at(gcode.X)))}
			below, ok := laid[place]
			if ok && below.part < part && at(lift) < below.topMM-0.05 && !hit && len(found) < 3 {
				hit = true
				found = append(found, fmt.Sprintf("%q runs into part %d, %.2f mm high, at %.2f mm", e.Text, below.part+1, below.topMM, at(lift)))
			}
			if effect.Extruding && at(lift) >= below.topMM {
				laid[place] = plastic{at(lift), part}
			}
		}
	}
	return found
}

// TestVolumesRunLikeLengths: a job whose E words are volumes pushes the filament of the same job by lengths,
// part for part, and leaves the board reading lengths.
func TestVolumesRunLikeLengths(t *testing.T) {
	oneMachine(t)
	const areaMM2 = math.Pi / 4 * 1.75 * 1.75
	job3 := func(set string, perMM float64) string {
		text := "G21\nG90\nM82\n" + set + "M140 S60\nM104 S205\nG28 X Z\nM190 S60\nM109 S205\nG92 E0\nG1 Z0.2 F600\nG1 X20 Y5 F3000\n"
		for layer := range 4 {
			e := float64(8 * layer)
			text += fmt.Sprintf("G1 Z%.1f F600\nG1 X40 Y5 E%.5f F1800\nG1 X40 Y15 E%.5f\nG1 X20 Y15 E%.5f\nG1 X20 Y5 E%.5f\nG1 E%.5f F2400\nG1 E%.5f\n",
				0.2+0.2*float64(layer), (e+2)*perMM, (e+4)*perMM, (e+6)*perMM, (e+8)*perMM, (e+6)*perMM, (e+8)*perMM)
		}
		return text + "M104 S0\nM140 S0\n"
	}
	pushed := func(name, text string) (netMM float64) {
		inBubble(t, func(t *testing.T) {
			x := newRun(t, testRig(), testSettings())
			x.opts = testJobOptions()
			x.start()
			x.until(Idle, time.Minute)
			path := filepath.Join(t.TempDir(), name+".gcode")
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			x.do(Request{By: "test", Lot: &LotRequest{Plans: []*job.Plan{x.plan(path)}, Good: []int{3}, Start: true}})
			if s := x.until(Complete, 24*time.Hour); s.Lot.Made != 3 {
				t.Errorf("%s: %d parts made, want 3", name, s.Lot.Made)
			}
			netMM = x.rig.Figures().FilamentMM
			x.stop()
		})
		return netMM
	}
	lengths, volumes := pushed("lengths", job3("", 1)), pushed("volumes", job3("M200 D1.75\n", areaMM2))
	if math.Abs(lengths-volumes) > 0.01 || lengths < 90 {
		t.Errorf("%.3f mm by lengths and %.3f by volumes; three parts have 96 mm", lengths, volumes)
	}
}
