package supervisor

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// inchJob is a part of 1 by 1.2 inches whose file counts in inches, and in steps
// from where it is, to its last line.
const inchJob = `G20
G91
M83
M140 S60
M104 S200
G28
G1 X0.4 Y0.2 Z0.02 F120
G1 X1 E0.08 F40
G1 Y1.2 E0.08
G1 X-1 E0.08
G1 E-0.04 F70
M104 S0
M140 S0
G1 Z0.4 F40
M84
`

// TestInchesStayInTheJob compares the machine's belt with the distances in millimetres: nothing that
// is added around such a job may be read as inches.
func TestInchesStayInTheJob(t *testing.T) {
	path := filepath.Join(t.TempDir(), "inches.gcode")
	if err := os.WriteFile(path, []byte(inchJob), 0o600); err != nil {
		t.Fatal(err)
	}
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(path)}, Good: []int{3}, Start: true}})
		s := x.until(Complete, 24*time.Hour)
		// Lead-in, three parts a pitch apart, and at the end drop edge and one pitch.
		pitch := 1.2*25.4 + testSettings().GapMM
		want := 0.2*25.4 + 3*pitch + testSettings().ToDropMM + pitch
		fig := x.rig.Figures()
		if math.Abs(fig.BeltAdvanceMM-want) > 0.1 || math.Abs(s.Belt.AdvanceMM-want) > 0.1 {
			t.Errorf("belt advance: machine %.2f mm, ledger %.2f mm, computed apart %.2f mm", fig.BeltAdvanceMM, s.Belt.AdvanceMM, want)
		}
		if n := len(x.rig.Parts()); n != 3 {
			t.Errorf("%d parts, want 3", n)
		}
		x.stop()
	})
}
