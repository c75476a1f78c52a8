package ledger

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const oldLedger = "../../testdata/ledgers/v1.db"

var writeOld = flag.Bool("write-old-ledger", false, "write the ledger of schema 1 anew")

// oldRecords are what the kept ledger of schema 1 holds: one part made and one interrupted, with a check and a hold.
func oldRecords() []Record {
	belt := Belt{TravelMM: 18693.2, AdvanceMM: 62.5, SinceRealignMM: 18693.2, SinceCheckMM: 18693.2, Known: true}
	records := []Record{LotOpened{clips(1, 40)}, CycleBegun{Seq: 1, LotID: 1, Ordinal: 1, EndNumber: 36657},
		CycleMade{Seq: 1, Belt: belt, FilamentMM: 734.637, Evidence: EvidenceConfirmed}, CycleDischarged{Seq: 1, Belt: belt},
		CheckRecorded{Check{ID: 1, LotID: 1, Good: 1, OffsetMM: of(0.25), TravelMM: belt.TravelMM, CyclesMade: 1}},
		CycleBegun{Seq: 2, LotID: 1, Ordinal: 2, EndNumber: 36657, Belt: belt},
		CycleInterrupted{Seq: 2, Reason: "link lost", Belt: belt}, hold(1), StateChanged{"Held", "interrupted part"}}
	for n := range 60 { // so that tables fill several pages
		records = append(records, EventNoted{"note", fmt.Sprintf("drip-line peg %d fell off the belt and was picked up", n)})
	}
	return records
}

func copyOld(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile(oldLedger)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "ledger.db")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestStep1LedgerIsBroughtUpToDate(t *testing.T) {
	if *writeOld {
		made := filepath.Join(t.TempDir(), "v1.db")
		l, err := Open(made, Options{schema: 1})
		if err != nil {
			t.Fatal(err)
		}
		commit(t, l, oldRecords()...)
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(made)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(oldLedger, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	path := copyOld(t)
	if _, err := Open(path, Options{ReadOnly: true}); err == nil || !strings.Contains(err.Error(), "brings it up to date") {
		t.Errorf("looking on at an old ledger gives %v", err)
	}
	l := open(t, path, Options{})
	ctx := context.Background()
	want := Counts{LotID: 1, Ordered: 40, CyclesBegun: 2, Confirmed: 1, Made: 1, Good: 1, Interrupted: 1,
		ScrapByReason: map[string]int{}, ByJob: []JobCounts{{Name: "stake clip", Ordered: 40, CyclesBegun: 2, Confirmed: 1,
			Made: 1, Interrupted: 1, CheckedGood: 1}}}
	same(t, "counts", must(l.Counts(ctx, 1))(t), want)
	same(t, "events", len(must(l.Events(ctx, 0, 0))(t)), 60)
	commit(t, l, AlertQueued{Alert{ID: "hold-1", Kind: "hold"}}, CycleDecided{Seq: 2, Good: true})
}

func TestStep2AddsTheOutbox(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(path, Options{schema: 1})
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Commit(context.Background(), AlertQueued{Alert{ID: "a", Kind: "hold"}}); err == nil {
		t.Error("an alert was queued before the step that holds it")
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	commit(t, open(t, path, Options{}), AlertQueued{Alert{ID: "a", Kind: "hold"}})
}

func TestAFailingStepLeavesTheOldSchema(t *testing.T) {
	path := copyOld(t)
	whole := steps
	t.Cleanup(func() { steps = whole })
	steps = slices.Clone(whole)
	steps[1] += "\nCREATE TABLE delivery (x);" // which step 2 has made already
	if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), "schema step 2") {
		t.Fatalf("got %v", err)
	}
	steps = whole
	l := open(t, path, Options{})
	same(t, "events", len(must(l.Events(context.Background(), 0, 0))(t)), 60)
}

// edit changes a closed ledger behind its back.
func edit(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

func refusedUntouched(t *testing.T, path string, want error, words ...string) {
	t.Helper()
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range []Options{{}, {ReadOnly: true}} {
		l, err := Open(path, o)
		if err == nil {
			_ = l.Close()
		}
		if !errors.Is(err, want) {
			t.Errorf("%+v: got %v, want %v", o, err, want)
			continue
		}
		for _, w := range append(words, path) {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%q is not in: %v", w, err)
			}
		}
	}
	after, err := os.ReadFile(path)
	if err != nil || sha256.Sum256(after) != sha256.Sum256(before) {
		t.Errorf("the file was changed (%v)", err)
	}
}

func TestANewerLedgerIsLeftAlone(t *testing.T) {
	path := copyOld(t)
	edit(t, path, "PRAGMA user_version = 99")
	refusedUntouched(t, path, ErrNewer, "number 99", fmt.Sprintf("up to %d", len(steps)), "start the newer program")
}

func TestAForeignFileIsLeftAlone(t *testing.T) {
	path := copyOld(t)
	edit(t, path, "PRAGMA application_id = 42")
	refusedUntouched(t, path, ErrCorrupt, "another kind", "name another path")
	if err := os.WriteFile(path, []byte("G28 X\nG1 X20\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	refusedUntouched(t, path, ErrCorrupt, "does not begin as a ledger")
}

// pageSize is SQLite's default, which the ledger keeps.
const pageSize = 4096

func TestADamagedLedgerIsLeftAlone(t *testing.T) {
	whole, err := os.ReadFile(oldLedger)
	if err != nil {
		t.Fatal(err)
	}
	pages := len(whole) / pageSize
	if pages < 10 {
		t.Fatalf("the kept ledger has %d pages: too few to damage", pages)
	}
	damaged := map[string][]byte{"cut in half": whole[:len(whole)/2], "header alone": whole[:100], "a few bytes": whole[:40],
		"schema garbled": overwrite(whole, bytes.LastIndex(whole, []byte("CREATE TABLE lot (")), 6), "page size": overwrite(whole, 16, 2)}
	for page := 1; page < pages; page++ {
		damaged[fmt.Sprintf("head of page %d", page+1)] = overwrite(whole, page*pageSize, 8)
		damaged[fmt.Sprintf("page %d zeroed", page+1)] = append(append(append([]byte{}, whole[:page*pageSize]...),
			make([]byte, pageSize)...), whole[(page+1)*pageSize:]...)
	}
	for at := range 16 {
		damaged[fmt.Sprintf("byte %d of the header", at)] = overwrite(whole, at, 1)
	}
	for name, data := range damaged {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "ledger.db")
			if err := os.WriteFile(path, data, 0o600); err != nil {
				t.Fatal(err)
			}
			refusedUntouched(t, path, ErrCorrupt, "last backup")
		})
	}
	t.Logf("%d damaged ledgers", len(damaged))
}

// overwrite inverts n bytes of a copy.
func overwrite(data []byte, at, n int) []byte {
	out := bytes.Clone(data)
	for i := range n {
		out[at+i] ^= 0xff
	}
	return out
}

// Each statement breaks one invariant behind the ledger's back; Check must name it.
func TestCheckNamesWhatIsWrong(t *testing.T) {
	records := append(oldRecords(), LotOpened{clips(2, 5)}, HoldEnded{ID: 1}, CheckRecorded{Check{ID: 2, LotID: 1, Good: 1, Corrects: 1}},
		BeltMoved{Belt{}}, AlertQueued{Alert{ID: "a", Kind: "hold"}})
	for statement, want := range map[string]string{
		"DELETE FROM entry WHERE seq = 20":                           "has a gap",
		"DELETE FROM event WHERE seq = 20":                           "event_noted has no details",
		"DELETE FROM belt WHERE seq = 2":                             "belt position is missing",
		"INSERT INTO belt SELECT 9, 0, 0, 0, 0, 0, 0":                "carries none",
		"UPDATE entry SET mono_ms = 999999999 WHERE seq = 5":         "runs backwards",
		"UPDATE entry SET boot = 2 WHERE seq = 3":                    "out of order",
		"UPDATE lot SET status = 'made' WHERE lot = 1":               "not its last change",
		"DELETE FROM lot_job WHERE lot = 2":                          "has no job",
		"UPDATE cycle SET ordinal = 5 WHERE cycle = 2":               "counted from 1",
		"UPDATE cycle SET made_seq = 1 WHERE cycle = 1":              "not in the order",
		"UPDATE visit SET scrap_total = 1, good = 0 WHERE visit = 2": "does not add up",
		"UPDATE visit SET root = 2 WHERE visit = 2":                  "corrections is broken",
		"UPDATE visit SET good = 3 WHERE visit = 2":                  "more parts are claimed",
		"DROP TRIGGER hold_ends_once; UPDATE hold SET ended_seq = 1": "ended before it began",
		"UPDATE event SET seq = 9 WHERE seq = 20":                    "belong to another entry",
		"UPDATE cycle SET lot = 77 WHERE cycle = 2":                  "refers to a row of lot_job",
		"DROP TRIGGER cycle_order; UPDATE cycle SET made_seq = NULL, discharged_seq = NULL, state = 'begun', evidence = NULL, filament_mm = NULL, machine_ns = NULL WHERE cycle = 1": "later one was begun over it",
	} {
		t.Run(want, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "ledger.db")
			l, err := Open(path, Options{})
			if err != nil {
				t.Fatal(err)
			}
			commit(t, l, records...)
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			edit(t, path, statement)
			edit(t, path, triggersAgain(t)...) // what was taken away to get past them
			r, err := Open(path, Options{ReadOnly: true})
			if err != nil {
				t.Fatal(err)
			}
			problems, err := r.Check(context.Background())
			if err != nil || !strings.Contains(strings.Join(problems, "\n"), want) {
				t.Errorf("want %q, got %q %v", want, problems, err)
			}
			if err := r.Close(); err != nil {
				t.Error(err)
			}
		})
	}
}

// triggersAgain makes every trigger that is missing.
func triggersAgain(t *testing.T) (list []string) {
	t.Helper()
	texts, err := schemaTexts(context.Background(), len(steps))
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range texts {
		if strings.HasPrefix(name, "trigger ") {
			list = append(list, strings.Replace(text, "CREATE TRIGGER ", "CREATE TRIGGER IF NOT EXISTS ", 1))
		}
	}
	return list
}
