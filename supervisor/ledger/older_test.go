package ledger

import (
	"bytes"
	"compress/gzip"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// laterRecords are those that came with later steps, beside oldRecords.
func laterRecords() []Record {
	return []Record{AlertQueued{Alert{ID: "hold-1", Kind: "hold"}}, AlertDelivered{ID: "hold-1", Receiver: "http://127.0.0.1/"},
		HeatLearned{"by-id/belt", HeaterBed, json.RawMessage(`{"ambient_c":21}`)}, SeamSeen{AdvanceMM: 100, By: "kim"},
		ScaleSet{Port: "by-id/belt", Axis: "Y", OldStepsPerMM: 80, NewStepsPerMM: 79}, TrialBegun{ID: 1, RunMM: 500}, TrialRan{ID: 1},
		SizeOrdered{1, 0, 20, 0.2}, PartLaid{1, 0, 30}, SurfaceRenewed{How: "cleaned"}, CareDone{Name: "wipe the belt", By: "kim"}, FirstArticle{LotID: 1, Wanted: true, By: "kim"}}
}

func keptLedger(schema int) string {
	return fmt.Sprintf("../../testdata/ledgers/v%d.db.gz", schema)
}

// writeKept writes the ledger of a schema as that version of the program did. Records of
// later steps are refused by it and left out.
func writeKept(t *testing.T, schema int) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(path, Options{schema: schema})
	if err != nil {
		t.Fatal(err)
	}
	commit(t, l, oldRecords()[:15]...)
	for _, r := range laterRecords() {
		if err := l.Commit(context.Background(), r); err != nil {
			t.Logf("schema %d has no place for %s", schema, r.kind())
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var packed bytes.Buffer
	w, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if err == nil {
		_, err = w.Write(data)
	}
	if err == nil {
		err = w.Close()
	}
	if err == nil {
		err = os.WriteFile(keptLedger(schema), packed.Bytes(), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// rows counts the rows of every table of a closed ledger.
func rows(t *testing.T, path string) map[string]int {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	tables := must(stringsOf(context.Background(), db, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'`))(t)
	count := map[string]int{}
	for _, name := range tables {
		n := 0
		if err := db.QueryRow("SELECT count(*) FROM " + name).Scan(&n); err != nil {
			t.Fatal(err)
		}
		count[name] = n
	}
	return count
}

// TestEveryOlderLedgerIsBroughtUpToDate opens a ledger of each earlier schema, as it is
// kept in testdata: no row is lost, the count is the same, and it can be gone on with.
func TestEveryOlderLedgerIsBroughtUpToDate(t *testing.T) {
	for schema := 2; *writeOld && schema <= len(steps); schema++ { // the present one too, for the day it is old
		if _, err := os.Stat(keptLedger(schema)); err != nil {
			writeKept(t, schema)
		}
	}
	for schema := 2; schema < len(steps); schema++ {
		t.Run(fmt.Sprintf("schema %d", schema), func(t *testing.T) {
			f, err := os.Open(keptLedger(schema))
			if err != nil {
				t.Fatalf("%v; write it with -write-old-ledger before the next step is added", err)
			}
			defer f.Close()
			z, err := gzip.NewReader(f)
			if err != nil {
				t.Fatal(err)
			}
			data, err := io.ReadAll(z)
			if err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(t.TempDir(), "ledger.db")
			if err := os.WriteFile(path, data, 0o600); err != nil {
				t.Fatal(err)
			}
			before := rows(t, path)
			if before["event"] < 5 || before["cycle"] != 2 {
				t.Fatalf("the kept ledger holds %v", before)
			}
			l := open(t, path, Options{})
			ctx := context.Background()
			c := must(l.Counts(ctx, 1))(t)
			if c.Ordered != 40 || c.Made != 1 || c.Good != 1 || c.Interrupted != 1 {
				t.Errorf("counts %+v", c)
			}
			commit(t, l, CycleDecided{Seq: 2, Good: true}, LotOpened{clips(2, 5)})
			if c := must(l.Counts(ctx, 1))(t); c.Good != 2 {
				t.Errorf("after a word on the interrupted part: %+v", c)
			}
			if problems := must(l.Check(ctx))(t); len(problems) > 0 {
				t.Errorf("%q", problems)
			}
			for table, n := range rows(t, path) {
				if n < before[table] {
					t.Errorf("table %s had %d rows and has %d", table, before[table], n)
				}
			}
		})
	}
}
