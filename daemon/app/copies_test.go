package app

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/daemon/archive"
	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
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

// A lot whose file is gone is made again from its copy, which is named with the lot; where the
// copy is gone or damaged, that is said and nothing is made.
func TestALotIsMadeAgain(t *testing.T) {
	c, r := settings(t), machine(t)
	text, err := os.ReadFile(clipJob)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "clip.gcode")
	if err := os.WriteFile(path, append([]byte("M104 S123 ; a word that tells it apart\n"), text...), 0o600); err != nil {
		t.Fatal(err)
	}
	a := start(t, Options{Config: c, Opener: r.Open})
	d := connect(t, c.Server.Socket)
	order := func(jobs ...string) error {
		t.Helper()
		reach(t, d, supervisor.Idle)
		_, err := d.OpenLot(t.Context(), client.LotRequest{Jobs: jobs, Good: []int{1}, Start: true})
		if err == nil {
			reach(t, d, supervisor.Complete)
			_, err := d.Check(t.Context(), client.CheckRequest{Visit: supervisor.Visit{Good: 1, Realigned: true, BeltCleared: true}})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := d.Command(t.Context(), client.CommandRequest{Command: supervisor.Reset}); err != nil {
				t.Fatal(err)
			}
		}
		return err
	}
	if err := order(path); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("M104 S450\n"), 0o600); err != nil { // what has that path now is another job
		t.Fatal(err)
	}
	one, err := d.Lot(t.Context(), 1)
	if err != nil || one.Jobs[0].Copy != "lot:1:1" {
		t.Fatalf("%+v, %v", one, err)
	}
	if err := order(one.Jobs[0].Copy); err != nil {
		t.Fatal(err)
	}
	two, err := d.Lot(t.Context(), 2)
	if err != nil || two.Jobs[0].SHA256 != one.Jobs[0].SHA256 || two.Name != one.Name || two.Good != 1 {
		t.Errorf("%+v, %v", two, err)
	}
	heated := 0
	for _, line := range r.Record() {
		if strings.Contains(line.Text, "M104 S123") {
			heated++
		}
		if strings.Contains(line.Text, "S450") {
			t.Errorf("the board was sent %q", line.Text)
		}
	}
	if heated != 2 {
		t.Errorf("the job was begun %d times", heated)
	}
	for _, name := range []string{"lot:3", "lot:1:2", "lot:999999999999999999"} {
		if err := order(name); err == nil || !strings.Contains(err.Error(), "there is no such job") {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, name := range []string{"lot:0", "lot:", "lot:1:0", "lot:1/../2", "lot:-1", "LOT:1"} {
		if err := order(name); err == nil || !strings.Contains(err.Error(), "not an absolute path") {
			t.Errorf("%s: %v", name, err)
		}
	}
	file, _ := a.jobs.archive.Find(one.Jobs[0].SHA256)
	if err := os.Chmod(file, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, append(text, "G4 P1\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := order("lot:1"); err == nil || !strings.Contains(err.Error(), "is damaged") || !strings.Contains(err.Error(), path) {
		t.Errorf("from a copy that was written to: %v", err)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if err := order("lot:1"); err == nil || !strings.Contains(err.Error(), "its copy was removed") {
		t.Errorf("without its copy: %v", err)
	}
	if one, err = d.Lot(t.Context(), 1); err != nil || one.Jobs[0].Copy != "" {
		t.Errorf("%+v, %v", one, err)
	}
}

// The copy of a lot's job keeps which lines are the part, after a restart and when the lot is ordered again.
func TestLotKeepsItsPart(t *testing.T) {
	dir := t.TempDir()
	c := settings(t)
	var lots []ledger.Lot
	r := &jobReader{func(context.Context) (job.Options, error) { return JobOptions(c), nil },
		archive.New(archive.Options{Folder: filepath.Join(dir, "lot-jobs"), Uses: func(context.Context) (map[string]archive.Use, error) { return nil, nil }}),
		func(context.Context) ([]ledger.Lot, error) { return lots, nil }}
	found, err := r.inspect(t.Context(), clipJob, job.Lines{})
	if err != nil {
		t.Fatal(err)
	}
	part := job.Lines{From: found.Body.FirstLine, To: found.Body.LastLine - 1}
	plan, err := r.take(t.Context(), clipJob, part)
	if err != nil {
		t.Fatal(err)
	}
	lots = []ledger.Lot{{ID: 1, Status: ledger.LotOpen, Jobs: []ledger.LotJob{{Path: clipJob, SHA256: plan.SHA256}}}}
	for name, read := range map[string]func() (*job.Plan, error){
		"taken":         func() (*job.Plan, error) { return plan, nil },
		"named":         func() (*job.Plan, error) { return r.inspect(t.Context(), clipJob, part) },
		"read again":    func() (*job.Plan, error) { return r.reread(t.Context(), clipJob) },
		"ordered again": func() (*job.Plan, error) { return r.take(t.Context(), "lot:1", job.Lines{}) },
	} {
		p, err := read()
		if err != nil || p.Path != clipJob || p.Body.FirstLine != part.From || p.Body.LastLine != part.To {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := r.take(t.Context(), "lot:1", part); err == nil || !strings.Contains(err.Error(), "order from the file instead") {
		t.Errorf("another part of a copy: %v", err)
	}
	if p, err := r.take(t.Context(), clipJob, job.Lines{}); err != nil || p.Body.LastLine != found.Body.LastLine || p.SHA256 == plan.SHA256 {
		t.Errorf("without a named part: %v", err)
	}
}

// Of two lots that were opened from one path, each with a file of its own, the one in work is
// taken up again.
func TestTheNewestLotOfAPathIsTakenUp(t *testing.T) {
	dir := t.TempDir()
	c := settings(t)
	var lots []ledger.Lot
	r := &jobReader{func(context.Context) (job.Options, error) { return JobOptions(c), nil },
		archive.New(archive.Options{Folder: filepath.Join(dir, "lot-jobs"), Uses: func(context.Context) (map[string]archive.Use, error) { return nil, nil }}),
		func(context.Context) ([]ledger.Lot, error) { return lots, nil }}
	text, err := os.ReadFile(clipJob)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "clip.gcode")
	for i, status := range []string{ledger.LotMade, ledger.LotOpen} {
		text = append(text, "; another\n"...)
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		plan, err := r.take(t.Context(), path, job.Lines{})
		if err != nil {
			t.Fatal(err)
		}
		lots = append(lots, ledger.Lot{ID: int64(i + 1), Status: status, Jobs: []ledger.LotJob{{Path: path, SHA256: plan.SHA256}}})
	}
	if plan, err := r.reread(t.Context(), path); err != nil || plan.SHA256 != lots[1].Jobs[0].SHA256 {
		t.Errorf("the older lot's job was taken: %v", err)
	}
}
