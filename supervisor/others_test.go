package supervisor

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
)

// TestOffNamesEveryHeater: heaters that the job or the board has mentioned are switched off with
// nozzle and bed, also when the lot is gone, and are not claimed to be off.
func TestOffNamesEveryHeater(t *testing.T) {
	path := filepath.Join(t.TempDir(), "chamber.gcode")
	text := "G21\nG90\nM83\nM141 S50\nM104 T1 S200\nM104 S205\nG28 X Z\nG92 Y0\nM109 S205\nG1 X10 Y2 Z0.3 F3000\n;beltwarden body begin\nG1 X20 Y2 E2 F900\nG1 X20 Y8 E2\n;beltwarden body end\nM104 S0\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	plan, err := job.Inspect(t.Context(), path, testJobOptions(), nil)
	if err != nil {
		t.Fatal(err)
	}
	m := newMachine(testSettings())
	m.lot = &lot{plans: []*job.Plan{nil, plan}}
	for _, when := range []string{"in the lot", "after it"} {
		for _, word := range []string{"M104 S0", "M140 S0", "M141 S0", "M104 T1 S0"} {
			if !slices.Contains(m.offLines(), word) {
				t.Errorf("%s: %s is not among %q", when, word, m.offLines())
			}
		}
		m.lot = nil
	}
	if text := m.otherHeaters.NotShownOff(); !strings.Contains(text, "M141 S0") || !strings.Contains(text, "M104 T1 S0") {
		t.Errorf("says %q", text)
	}
	told := newMachine(testSettings())
	told.now = time.Now()
	if got := told.offLines(); len(got) != 2 {
		t.Errorf("of a board with nozzle and bed: %q", got)
	}
	told.learned = learned{nozzle: heat.NewLearner(heat.Model{}), bed: heat.NewLearner(heat.Model{}), origin: told.now}
	told.handleReport(serialio.ParseReply([]byte("T0:21.0 /0 T1:22.0 /0 B:20 /0 C:23 /0")))
	if got := told.offLines(); !slices.Contains(got, "M141 S0") || !slices.Contains(got, "M104 T1 S0") {
		t.Errorf("of a board that tells more: %q", got)
	}
}
