package ledger

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
)

// written makes a ledger with a history and a backup of it.
func written(t *testing.T) (path, backup string, want Counts) {
	t.Helper()
	dir := t.TempDir()
	path, backup = filepath.Join(dir, "ledger.db"), filepath.Join(dir, "copy.db")
	l, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	commit(t, l, oldRecords()...)
	if err := l.Backup(context.Background(), backup); err != nil {
		t.Fatal(err)
	}
	if want, err = l.Counts(context.Background(), 1); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return path, backup, want
}

// holds opens a ledger and compares its counts.
func holds(t *testing.T, path string, want Counts) {
	t.Helper()
	l, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	got, err := l.Counts(context.Background(), 1)
	if problems, cerr := l.Check(context.Background()); err != nil || cerr != nil || len(problems) > 0 || !reflect.DeepEqual(got, want) {
		t.Errorf("counts %+v, want %+v; %v %v %v", got, want, err, cerr, problems)
	}
}

func TestRestoreMovesTheDamagedOneAside(t *testing.T) {
	path, backup, want := written(t)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	broken := overwrite(data, len(data)/2, 3000)
	if err := os.WriteFile(path, broken, 0o640); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path+"-wal", []byte("left behind"), 0o640); err != nil {
		t.Fatal(err)
	}
	for n := 1; n <= 2; n++ { // the second one moves a whole ledger aside
		aside, err := Restore(context.Background(), backup, path)
		if err != nil {
			t.Fatal(err)
		}
		if aside != path+".aside-"+strconv.Itoa(n) {
			t.Errorf("moved aside to %q", aside)
		}
		holds(t, path, want)
		l := open(t, path, Options{})
		if b := must(l.Belt(context.Background()))(t); b.Known || b.TravelMM < 18000 {
			t.Errorf("after the restore the belt is %+v", b)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if kept, err := os.ReadFile(path + ".aside-1"); err != nil || !bytes.Equal(kept, broken) {
		t.Errorf("the damaged ledger was not kept as it was: %v", err)
	}
	if kept, err := os.ReadFile(path + ".aside-1-wal"); err != nil || string(kept) != "left behind" {
		t.Errorf("what lay beside it was not kept: %q %v", kept, err)
	}
}

// TestRestoreSweepsAwayHalfACopy that one before it has left, since it was killed.
func TestRestoreSweepsAwayHalfACopy(t *testing.T) {
	path, backup, want := written(t)
	half, other := filepath.Join(filepath.Dir(path), ".ledger.db.77.part"), filepath.Join(filepath.Dir(path), ".copy.db.77.part")
	for _, name := range []string{half, other} {
		if err := os.WriteFile(name, []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := Restore(context.Background(), backup, path); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(half); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("half a copy is still there: %v", err)
	}
	if _, err := os.Stat(other); err != nil {
		t.Error(err)
	}
	holds(t, path, want)
}

func TestRestoreWhereThereIsNone(t *testing.T) {
	path, backup, want := written(t)
	other := filepath.Join(filepath.Dir(path), "new", "ledger.db")
	if aside, err := Restore(context.Background(), backup, other); err != nil || aside != "" {
		t.Fatalf("%q %v", aside, err)
	}
	holds(t, other, want)
}

func TestRestoreRefuses(t *testing.T) {
	path, backup, want := written(t)
	dir := filepath.Dir(path)
	write := func(name string, data []byte) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	data, err := os.ReadFile(backup)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		from string
		is   error
		says string
	}{
		{write("damaged.db", overwrite(data, len(data)/2, 3000)), ErrCorrupt, "damaged"},
		{write("notes.txt", []byte("plant-stake clips")), ErrCorrupt, "does not begin as a ledger"},
		{write("empty.db", nil), ErrNotFound, "is empty or not there"},
		{filepath.Join(dir, "nowhere.db"), ErrNotFound, "is empty or not there"},
		{path, nil, "the same file"},
	} {
		aside, err := Restore(context.Background(), c.from, path)
		if err == nil || c.is != nil && !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.says) || aside != "" {
			t.Errorf("%s: %q %v; want %q", filepath.Base(c.from), aside, err, c.says)
		}
		holds(t, path, want)
	}
	l, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(context.Background(), backup, path); !errors.Is(err, ErrLocked) {
		t.Errorf("a ledger in use: %v", err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	holds(t, path, want)
}

// TestDamageAtRandom turns over bits and bytes of a ledger at random places. Whatever is
// found is reported before the file is changed, and the backup takes its place; what is not
// found by opening is in places that hold no count, or the full check finds it.
func TestDamageAtRandom(t *testing.T) {
	path, backup, want := written(t)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	cases := 60
	if underRace || testing.Short() {
		cases = 15
	}
	if text := os.Getenv("BELTWARDEN_DAMAGES"); text != "" {
		if cases, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	rng := rand.New(rand.NewPCG(11, 7))
	refused, found, harmless, silent := 0, 0, 0, 0
	for n := range cases {
		data := bytes.Clone(whole)
		for range 1 + rng.IntN(8) {
			at := rng.IntN(len(data))
			switch rng.IntN(3) {
			case 0:
				data[at] ^= 1 << rng.IntN(8)
			case 1:
				data[at] = byte(rng.IntN(256))
			case 2: // a sector of a card
				at &^= 511
				clear(data[at:min(at+512, len(data))])
			}
		}
		if bytes.Equal(data, whole) {
			continue
		}
		if err := os.WriteFile(path, data, 0o640); err != nil {
			t.Fatal(err)
		}
		l, err := Open(path, Options{})
		switch {
		case errors.Is(err, ErrCorrupt) || errors.Is(err, ErrNewer):
			refused++
			if now, rerr := os.ReadFile(path); rerr != nil || !bytes.Equal(now, data) {
				t.Fatalf("case %d: a damaged ledger was changed by opening it: %v", n, rerr)
			}
		case err != nil:
			t.Errorf("case %d: damage is not reported as such: %v", n, err)
		default:
			got, cerr := l.Counts(context.Background(), 1)
			problems, perr := l.Check(context.Background())
			switch {
			case cerr != nil || perr != nil || len(problems) > 0:
				found++
			case reflect.DeepEqual(got, want):
				harmless++
			default:
				silent++
				t.Errorf("case %d: counts %+v instead of %+v, and nothing says so", n, got, want)
			}
			_ = l.Close()
		}
		if _, err := Restore(context.Background(), backup, path); err != nil {
			t.Fatalf("case %d: %v", n, err)
		}
		holds(t, path, want)
		for _, name := range []string{path + ".aside-1", path + ".aside-1-wal", path + ".aside-1-shm"} {
			_ = os.Remove(name)
		}
	}
	t.Logf("damaged ledgers: %d; refused at opening: %d; found by the check: %d; counts untouched: %d; wrong counts unnoticed: %d", cases, refused, found, harmless, silent)
}
