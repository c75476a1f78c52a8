package app

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor/ledger"
)

// TestUpkeep: after each copy of the ledger what is old goes, and uploaded jobs that nobody
// needs; both are recorded in one line. Without a copy nothing goes.
func TestUpkeep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := settings(t)
		c.Ledger.KeepDetails, c.Server.KeepJobs, c.Server.JobsLimitMB = 7, 3, 1
		a, err := New(t.Context(), Options{Config: c, Log: zap.NewNop()})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = stopApp(a) }()
		for _, name := range []string{"large", "needed", "idle"} {
			text := "G1 X1 ; " + name
			if name == "large" {
				text += strings.Repeat("x", 1<<20)
			}
			if _, err := a.shelf.Put(t.Context(), name+".gcode", strings.NewReader(text)); err != nil {
				t.Fatal(err)
			}
		}
		lot := ledger.Lot{ID: 1, Name: "pegs", Status: ledger.LotOpen, Order: ledger.OrderBlocks,
			Jobs: []ledger.LotJob{{Path: c.Server.JobsFolder + "/needed.gcode", SHA256: "ab", Name: "needed", GoodOrdered: 5}}}
		var records []ledger.Record
		for n := range keepNewest + 200 {
			records = append(records, ledger.EventNoted{Kind: "link", Text: fmt.Sprint(n)})
		}
		if err := a.ledger.Commit(t.Context(), append(records, ledger.LotOpened{Lot: lot})...); err != nil {
			t.Fatal(err)
		}
		time.Sleep(8 * 24 * time.Hour)
		free := c.Ledger.BackupFolder
		if err := os.WriteFile(free, nil, 0o600); err != nil { // no folder: no copy can be made
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); a.backups.Run(ctx) }()
		time.Sleep(26 * time.Hour)
		left := func() (n int, notes []string) {
			events, err := a.ledger.Events(t.Context(), 0, -1)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range events {
				if e.Kind == "retention" {
					notes = append(notes, e.Text)
				} else {
					n++
				}
			}
			return n, notes
		}
		if n, notes := left(); n != keepNewest+200 || len(notes) > 0 {
			t.Errorf("without a copy %d events are left, and %q is recorded", n, notes)
		}
		if err := os.Remove(free); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * 24 * time.Hour)
		n, notes := left()
		items, err := a.shelf.List()
		if err != nil || len(items) != 1 || items[0].Name != "needed.gcode" {
			t.Errorf("%+v %v", items, err)
		}
		if n != keepNewest-3 || len(notes) != 2 || !strings.Contains(notes[0], "201 old details of the ledger that no count and no report rests on; 1 uploaded job not used by a lot for long: large.gcode") ||
			!strings.Contains(notes[1], "idle.gcode") {
			t.Errorf("%d events are left, and %q is recorded", n, notes)
		}
		cancel()
		<-done
	})
}

// TestTheDiskOfTheLedgerIsWatched from the start of the daemon on, in the real time of a
// real file system.
func TestTheDiskOfTheLedgerIsWatched(t *testing.T) {
	c := settings(t)
	a := start(t, Options{Config: c, Opener: machine(t).Open})
	for end := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
		if s := a.Snapshot().Supply; s.DiskFreeBytes != nil {
			free, err := a.freeBytes(c.Ledger.Path)
			if err != nil || s.DiskLow || *s.DiskFreeBytes < free/2 || *s.DiskFreeBytes > 2*free {
				t.Errorf("%d bytes are reported, %d are free, %v", *s.DiskFreeBytes, free, err)
			}
			return
		}
		if time.Now().After(end) {
			t.Fatal("nothing is reported of the disk")
		}
	}
}
