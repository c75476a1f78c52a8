package ledger

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// edited carries statements out in a closed ledger, as another program would.
func edited(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	for _, s := range append(statements, "PRAGMA wal_checkpoint(TRUNCATE)") {
		if _, err := db.Exec(s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
}

// TestNothingButOurOwnIsInALedger adds to a ledger what the program did not make. Neither the daemon nor a command opens it,
// nothing of it is carried out, and no restore puts it in place.
func TestNothingButOurOwnIsInALedger(t *testing.T) {
	ctx := context.Background()
	elsewhere := filepath.Join(t.TempDir(), "elsewhere.db")
	cases := map[string][]string{
		"a table":                   {"CREATE TABLE more (x)"},
		"a table that ends a query": {`CREATE TABLE "boot; VACUUM INTO '` + elsewhere + `'" (x)`},
		"a virtual table":           {"CREATE VIRTUAL TABLE more USING fts5(x)"},
		"a view":                    {"CREATE VIEW more AS SELECT * FROM boot"},
		"a trigger that stops":      {"CREATE TRIGGER more BEFORE INSERT ON cycle BEGIN SELECT RAISE(ABORT, 'no'); END"},
		"a trigger that changes":    {"CREATE TRIGGER more AFTER INSERT ON visit BEGIN UPDATE visit SET good = 99; END"},
		"an index":                  {"CREATE INDEX more ON boot (wall_ms)"},
		"a unique index":            {"CREATE UNIQUE INDEX more ON entry (seq, kind)"},
		"an index of an expression": {"CREATE INDEX more ON boot (hex(start_id))"},
		"a computed column":         {"ALTER TABLE boot ADD COLUMN more TEXT AS (hex(zeroblob(400000000)))"},
		"a column":                  {"ALTER TABLE boot ADD COLUMN more TEXT"},
		"statistics":                {"ANALYZE"},
		"a check of a column": {"PRAGMA writable_schema = ON",
			"UPDATE sqlite_schema SET sql = replace(sql, ')', ' CHECK (length(printf(''%*c'', 1000000000, 1)) > 0))') WHERE name = 'boot'"},
		"a table twice": {"PRAGMA writable_schema = ON", "INSERT INTO sqlite_schema SELECT * FROM sqlite_schema WHERE name = 'boot'"},
		"a table without a root": {"PRAGMA writable_schema = ON",
			"UPDATE sqlite_schema SET rootpage = 0 WHERE name = 'boot'"},
		"two tables in one place": {"PRAGMA writable_schema = ON",
			"UPDATE sqlite_schema SET rootpage = (SELECT rootpage FROM sqlite_schema WHERE name = 'entry') WHERE name = 'boot'"},
		"an index of another table": {"PRAGMA writable_schema = ON",
			"UPDATE sqlite_schema SET tbl_name = 'boot' WHERE name = (SELECT name FROM sqlite_schema WHERE type = 'index' AND sql IS NOT NULL AND tbl_name <> 'boot')"},
		"a text without a name": {"PRAGMA writable_schema = ON", "INSERT INTO sqlite_schema VALUES (NULL, NULL, NULL, 0, NULL)"},
	}
	for name, statements := range cases {
		t.Run(name, func(t *testing.T) {
			path, backup, want := written(t)
			edited(t, backup, statements...)
			begun := time.Now()
			for _, o := range []Options{{}, {ReadOnly: true}} {
				if l, err := Open(backup, o); !errors.Is(err, ErrCorrupt) {
					if err == nil {
						_ = l.Close()
					}
					t.Errorf("opening it with %+v: %v", o, err)
				}
			}
			if _, err := Restore(ctx, backup, path); !errors.Is(err, ErrCorrupt) {
				t.Errorf("restoring it: %v", err)
			}
			if took := time.Since(begun); took > patience {
				t.Errorf("refusing it took %v", took)
			}
			if _, err := os.Lstat(elsewhere); err == nil {
				t.Error("a file was written elsewhere")
			}
			holds(t, path, want)
		})
	}
}

// patience bounds waits that only a hang makes long: generous, since the computer may be slow and busy.
const patience = 5 * time.Minute

// TestExportNamesTablesWhole exports a table whose name would end the query, past all that keeps such a ledger from being opened.
func TestExportNamesTablesWhole(t *testing.T) {
	elsewhere := filepath.Join(t.TempDir(), "elsewhere.db")
	l := open(t, filepath.Join(t.TempDir(), "ledger.db"), Options{})
	defer l.Close()
	if _, err := l.conn.ExecContext(context.Background(), `CREATE TABLE "boot; VACUUM INTO '`+elsewhere+`'; --""" (x)`); err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	if err := l.Export(context.Background(), &out); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(elsewhere); err == nil {
		t.Error("a file was written elsewhere")
	}
}

// TestRestoreTakesRegularFilesOnly names what is no file, or has no end, in a backup's place.
func TestRestoreTakesRegularFilesOnly(t *testing.T) {
	path, backup, want := written(t)
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	sparse, err := os.ReadFile(backup)
	if err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{os.Symlink(backup, at("link")), os.Symlink("/dev/zero", at("device link")), unix.Mkfifo(at("pipe"), 0o600),
		os.WriteFile(at("sparse"), sparse, 0o600), os.Truncate(at("sparse"), 1<<43),
		os.WriteFile(at("zeros"), nil, 0o600), os.Truncate(at("zeros"), 1<<43),
		os.WriteFile(at("half"), sparse, 0o600), os.WriteFile(at("half-journal"), []byte("a journal of another"), 0o600)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for name, says := range map[string]string{"/dev/zero": "not a regular file", "/dev/null": "not a regular file", dir: "not a regular file",
		at("pipe"): "not a regular file", at("link"): "symbolic link", at("device link"): "symbolic link",
		at("sparse"): "room for", at("zeros"): "room for", at("half"): "take another backup", at("none"): "empty or not there"} {
		done := make(chan error, 1)
		go func() {
			_, err := Restore(context.Background(), name, path)
			done <- err
		}()
		select {
		case err := <-done:
			if err == nil || !strings.Contains(err.Error(), says) {
				t.Errorf("restoring from %s: %v", name, err)
			}
		case <-time.After(patience):
			t.Fatalf("restoring from %s does not end", name)
		}
	}
	holds(t, path, want)
}

// TestRestoreLosesNoLog restores from a ledger whose newest commit is in its log alone, then from a backup of both, then
// from one beside an empty log, which holds nothing.
func TestRestoreLosesNoLog(t *testing.T) {
	from := filepath.Join(t.TempDir(), "ledger.db")
	l := open(t, from, Options{})
	if err := l.Commit(context.Background(), EventNoted{Kind: "note", Text: "in the log alone"}); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	for _, end := range []string{"", "-wal"} {
		data, err := os.ReadFile(from + end)
		if err := errors.Join(err, os.WriteFile(at("copy"+end), data, 0o600)); err != nil || len(data) == 0 {
			t.Fatal(len(data), err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(context.Background(), at("copy"), at("new")); err == nil || !strings.Contains(err.Error(), "beltwarden ledger backup") {
		t.Errorf("restored: %v", err)
	}
	if _, err := os.Lstat(at("new")); err == nil {
		t.Error("a ledger is there")
	}
	both := open(t, at("copy"), Options{ReadOnly: true})
	if err := errors.Join(both.Backup(context.Background(), at("whole")), both.Close(), os.WriteFile(at("whole-wal"), nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(context.Background(), at("whole"), at("new")); err != nil {
		t.Fatal(err)
	}
	restored := open(t, at("new"), Options{ReadOnly: true})
	defer restored.Close()
	events, err := restored.Events(context.Background(), 10, 0)
	if err != nil || !slices.ContainsFunc(events, func(e Event) bool { return e.Text == "in the log alone" }) {
		t.Errorf("%+v %v", events, err)
	}
}

// TestACopyEndsWithItsContext cuts the copying of a backup short.
func TestACopyEndsWithItsContext(t *testing.T) {
	path, backup, _ := written(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := copyBeside(ctx, backup, path); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if err := readThrough(ctx, backup); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// TestNoLinkIsFollowedBesideALedger puts links where the program writes a file of its own.
func TestNoLinkIsFollowedBesideALedger(t *testing.T) {
	for name, link := range map[string]func(from, to string) error{"symbolic": os.Symlink, "hard": os.Link,
		"to nothing": func(_, to string) error { return os.Symlink(to+"-elsewhere", to) },
		"pipe":       func(_, to string) error { return unix.Mkfifo(to, 0o600) }} {
		t.Run(name, func(t *testing.T) {
			path, backup, _ := written(t)
			kept := filepath.Join(t.TempDir(), "kept")
			if err := errors.Join(os.WriteFile(kept, []byte("keep me"), 0o600), os.Remove(path+".lock"), link(kept, path+".lock")); err != nil {
				t.Fatal(err)
			}
			if l, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), ".lock") {
				if err == nil {
					_ = l.Close()
				}
				t.Errorf("opening: %v", err)
			}
			if _, err := Restore(context.Background(), backup, path); err == nil {
				t.Error("restored")
			}
			if text, err := os.ReadFile(kept); string(text) != "keep me" {
				t.Errorf("the file holds %q: %v", text, err)
			}
			if _, err := os.Lstat(path + ".lock-elsewhere"); err == nil {
				t.Error("a file was made elsewhere")
			}
		})
	}
}
