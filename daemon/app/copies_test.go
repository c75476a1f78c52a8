package app

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// Whatever becomes of a job's file once its lot is open, the lot makes what was inspected:
// here a temperature is altered in place with the times put back, and before a restart the
// file is taken away.
func TestLotRunsFromItsCopy(t *testing.T) {
	c, r := settings(t), machine(t)
	c.Hold.EveryParts = 1
	text, err := os.ReadFile(clipJob)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "clip.gcode")
	text = append([]byte("M104 S123 ; a word that tells it apart\n"), text...)
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	before, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	o := Options{Config: c, Opener: r.Open}
	a := start(t, o)
	d := connect(t, c.Server.Socket)
	reach(t, d, supervisor.Idle)
	if _, err := d.OpenLot(t.Context(), client.LotRequest{Jobs: []string{path}, Good: []int{2}}); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte("M104 S450"), 0); err != nil {
		t.Fatal(err)
	}
	f.Close()
	if err := os.Chtimes(path, time.Now(), before.ModTime()); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Command(t.Context(), client.CommandRequest{Command: supervisor.Start}); err != nil {
		t.Fatal(err)
	}
	reach(t, d, supervisor.Held)
	if err := stopApp(a); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	a = start(t, o)
	d = connect(t, c.Server.Socket)
	if s := a.Snapshot(); s.Lot == nil || s.Lot.Made != 1 {
		t.Errorf("the lot after the restart: %+v", s.Lot)
	}
	if _, err := d.Check(t.Context(), client.CheckRequest{Visit: supervisor.Visit{Good: 1, Realigned: true, BeltCleared: true}}); err != nil {
		t.Fatal(err)
	}
	reach(t, d, supervisor.Idle)
	if _, err := d.Command(t.Context(), client.CommandRequest{Command: supervisor.Start}); err != nil {
		t.Fatal(err)
	}
	reach(t, d, supervisor.Complete)
	copies, err := filepath.Glob(filepath.Join(filepath.Dir(c.Ledger.Path), "lot-jobs", "*"))
	if err != nil || len(copies) != 1 {
		t.Fatalf("%q, %v", copies, err)
	}
	if kept, err := os.ReadFile(copies[0]); err != nil || !bytes.Equal(kept, text) {
		t.Errorf("the copy is not the file that was inspected: %v", err)
	}
	heated := false
	for _, line := range r.Record() {
		heated = heated || strings.Contains(line.Text, "M104 S123")
		if strings.Contains(line.Text, "S450") {
			t.Errorf("the board was sent %q", line.Text)
		}
	}
	if !heated {
		t.Error("the board was not sent the job")
	}
}
