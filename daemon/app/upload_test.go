package app

import (
	"context"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// A job is handed over and made, through the real server.
func TestUploadedJob(t *testing.T) {
	c, r := settings(t), machine(t)
	c.Server.UploadLimitMB = 1
	start(t, Options{Config: c, Opener: r.Open})
	d := connect(t, c.Server.Socket)
	ctx := t.Context()
	reach(t, d, supervisor.Idle)

	var p *client.Problem
	if _, err := d.PutJob(ctx, "large.gcode", strings.NewReader(strings.Repeat("x", 1e6+1))); !errors.As(err, &p) || p.Status != http.StatusRequestEntityTooLarge {
		t.Errorf("one byte too many: %v", err)
	}
	if _, err := d.PutJob(ctx, "torn.gcode", iotest.TimeoutReader(strings.NewReader(strings.Repeat("x", 1e5)))); err == nil {
		t.Error("an upload that broke off is accepted")
	}
	f, err := os.Open(clipJob)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	stored, err := d.PutJob(ctx, `C:\jobs\clip.gcode`, f)
	if err != nil || stored.Path != filepath.Join(c.Server.JobsFolder, "clip.gcode") {
		t.Fatalf("%+v, %v", stored, err)
	}
	if list, err := d.Jobs(ctx); err != nil || len(list) != 1 || list[0] != stored {
		t.Errorf("%+v, %v", list, err)
	}
	detail, err := d.Job(ctx, stored.Name)
	if err != nil || detail.Blocked || len(detail.Plan) == 0 {
		t.Errorf("%+v, %v", detail, err)
	}
	opened, err := d.OpenLot(ctx, client.LotRequest{Jobs: []string{stored.Name}, Good: []int{1}, Start: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := d.RemoveJob(ctx, stored.Name); !errors.As(err, &p) || p.Status != http.StatusConflict {
		t.Errorf("the job of an open lot can be taken away: %v", err)
	}
	reach(t, d, supervisor.Complete)
	if _, err := d.Check(ctx, client.CheckRequest{Visit: supervisor.Visit{Good: 1}}); err != nil {
		t.Fatal(err)
	}
	if lot, err := d.Lot(ctx, opened.LotID); err != nil || lot.Good != 1 {
		t.Errorf("%+v, %v", lot, err)
	}
	if err := d.RemoveJob(ctx, stored.Name); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(c.Server.JobsFolder); err != nil || len(left) != 1 { // the list of checksums
		t.Errorf("%v, %v", left, err)
	}
}

// A folder that cannot be used keeps nobody from working with files of their own.
func TestFolderForJobsThatCannotBeUsed(t *testing.T) {
	c, r := settings(t), machine(t)
	c.Server.JobsFolder = c.Ledger.Path
	start(t, Options{Config: c, Opener: r.Open})
	d := connect(t, c.Server.Socket)
	var p *client.Problem
	if _, err := d.Jobs(context.WithoutCancel(t.Context())); !errors.As(err, &p) || p.Status != http.StatusServiceUnavailable {
		t.Errorf("%v", err)
	}
	if _, err := d.Status(t.Context()); err != nil {
		t.Error(err)
	}
}
