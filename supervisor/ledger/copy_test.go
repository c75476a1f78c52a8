package ledger

import (
	"bufio"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestBackupIsAWholeLedger(t *testing.T) {
	for name, o := range map[string]Options{"file": {}, "memory": {Memory: true}} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			l := open(t, filepath.Join(dir, "ledger.db"), o)
			commit(t, l, oldRecords()...)
			to := filepath.Join(dir, "backup.db")
			ctx := context.Background()
			if err := l.Backup(ctx, to); err != nil {
				t.Fatal(err)
			}
			was := export(t, l)
			commit(t, l, EventNoted{"note", "after the backup"})
			if got := export(t, open(t, to, Options{ReadOnly: true})); got != was {
				t.Errorf("the backup holds\n%s\nwant\n%s", got, was)
			}
			if err := l.Backup(ctx, to); err == nil || !strings.Contains(err.Error(), "already") {
				t.Errorf("backing up over a backup gives %v", err)
			}
			if err := l.Backup(ctx, filepath.Join(dir, "none", "backup.db")); err == nil {
				t.Error("a backup into no directory succeeded")
			}
			left, err := filepath.Glob(filepath.Join(dir, ".*.part"))
			if err != nil || len(left) > 0 {
				t.Errorf("left behind: %q %v", left, err)
			}
			info, err := os.Stat(to)
			if err != nil || info.Mode().Perm()&0o077 != 0 {
				t.Errorf("the backup can be read by others: %v %v", info.Mode(), err)
			}
		})
	}
}

func TestABackupTakesOverAsTheLedger(t *testing.T) {
	dir := t.TempDir()
	l := open(t, filepath.Join(dir, "ledger.db"), Options{})
	commit(t, l, oldRecords()...)
	to := filepath.Join(dir, "backup.db")
	if err := l.Backup(context.Background(), to); err != nil {
		t.Fatal(err)
	}
	restored := open(t, to, Options{})
	commit(t, restored, CycleDecided{Seq: 2, Good: true}, HoldEnded{ID: 1, How: "unhold"})
	if c := must(restored.Counts(context.Background(), 1))(t); c.Good != 2 {
		t.Errorf("%+v", c)
	}
}

func TestExportHoldsEveryTableAndRow(t *testing.T) {
	l := newLedger(t)
	commit(t, l, oldRecords()...)
	commit(t, l, LotOpened{fullLot()}, AlertQueued{Alert{ID: "a", Kind: "hold"}}, AlertDelivered{ID: "a", Receiver: "webhook"},
		BoardSeen{Port: "p"}, HeatLearned{"p", HeaterBed, json.RawMessage("{}")}, SeamSeen{AdvanceMM: 5}, SurfaceRenewed{How: "taped"}, CareDone{Name: "wipe the belt"}, FirstArticle{LotID: 1, Wanted: true},
		PartLaid{1, 0, 30}, SizeOrdered{1, 0, 20, 0.2},
		ScaleSet{Port: "p", Axis: "Y", OldStepsPerMM: 80, NewStepsPerMM: 79}, TrialBegun{ID: 1, RunMM: 1})
	rows := map[string]int{}
	lines := bufio.NewScanner(strings.NewReader(export(t, l)))
	for n := 0; lines.Scan(); n++ {
		var line struct {
			Schema int
			Table  string
			Row    map[string]any
		}
		if err := json.Unmarshal(lines.Bytes(), &line); err != nil {
			t.Fatalf("line %d: %v: %s", n+1, err, lines.Text())
		}
		if n == 0 && line.Schema != len(steps) {
			t.Errorf("the first line is %s", lines.Text())
		}
		if n > 0 {
			rows[line.Table]++
		}
		if line.Table == "cycle" && line.Row["cycle"] == 1.0 && line.Row["filament_mm"] != 734.637 {
			t.Errorf("cycle 1 is exported as %v", line.Row)
		}
	}
	same(t, "rows", rows, map[string]int{"boot": 1, "care": 1, "surface": 1, "planned": 1, "entry": 82, "first_article": 1, "laid": 1, "lot_size": 1, "heat": 1, "seam": 1, "scale_set": 1, "trial": 1, "lot": 2, "lot_change": 2, "lot_job": 3, "lot_particulars": 1, "alteration": 2, "belt": 5,
		"visit": 1, "cycle": 2, "hold": 1, "board": 1, "event": 60, "state": 1, "alert": 1, "channel": 1, "delivery": 1})
}
