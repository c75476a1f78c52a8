package supervisor

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestSlowCoolingLeavesNoHeaterOn: a bed that stays above the release temperature for hours, as on a
// hot day, must not keep the nozzle hot.
func TestSlowCoolingLeavesNoHeaterOn(t *testing.T) {
	withoutRace(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.ReleaseC = 10 // below the room
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}, Start: true}})
		x.until(Execute, 2*time.Hour)
		time.Sleep(4 * time.Hour)
		s := x.s.Snapshot()
		if _, nt, _, bt := x.rig.Temperatures(); s.Doing != "cooling until the part lets go" || nt != 0 || bt != 0 {
			t.Errorf("%s, %q: targets left at %.0f and %.0f °C", s.State, s.Doing, nt, bt)
		}
		x.stop()
	})
}

// TestBeltWaitsForTheBedItself: a job that lets the bed's target drop below the release temperature
// before its last move still has a hot bed under the part.
func TestBeltWaitsForTheBedItself(t *testing.T) {
	text, err := os.ReadFile(clipJob)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "cooler.gcode")
	last := strings.LastIndex(string(text), "; layer")
	if last < 0 {
		t.Fatal("the job has no such place any more")
	}
	changed := string(text)[:last] + "M140 S30\n" + string(text)[last:]
	if err := os.WriteFile(path, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(path)}, Good: []int{1}, Start: true}})
		hot := ""
		for s := x.s.Snapshot(); s.State != Complete; s = x.s.Snapshot() {
			if _, _, bed, _ := x.rig.Temperatures(); bed > 36 && hot == "" && (s.Doing == "advancing the belt" || strings.HasPrefix(s.Doing, "running the parts")) {
				hot = fmt.Sprintf("%s at a bed of %.1f °C", s.Doing, bed)
			}
			time.Sleep(100 * time.Millisecond)
		}
		if hot != "" {
			t.Error(hot)
		}
		x.stop()
	})
}
