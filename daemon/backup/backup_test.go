package backup

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"

	"beltwarden/supervisor/wall"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// copies is a source that counts.
type copies struct {
	n    int
	fail error
}

func (c *copies) Backup(_ context.Context, to string) error {
	if c.fail != nil {
		return c.fail
	}
	c.n++
	return os.WriteFile(to, fmt.Appendf(nil, "copy %d", c.n), 0o600)
}

func keeper(t *testing.T, src Source) *Keeper {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "ledger.db")
	if err := os.WriteFile(path, make([]byte, 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	k := New(Options{Source: src, Ledger: path, Folder: filepath.Join(dir, "backups"), Keep: 3, Every: 24 * time.Hour, Log: zap.NewNop()})
	k.free = func(string) (int64, error) { return 1 << 30, nil }
	return k
}

// TestACopyADayAndTheNewestAreKept runs ten days.
func TestACopyADayAndTheNewestAreKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := &copies{}
		k := keeper(t, src)
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan struct{})
		go func() { k.Run(ctx); close(done) }()
		time.Sleep(10*24*time.Hour + time.Hour)
		cancel()
		<-done
		list, err := List(k.o.Folder)
		if err != nil || src.n != 11 || len(list) != 3 || list[0].Number != 9 || list[2].Number != 11 {
			t.Fatalf("%d copies made, kept %+v, %v", src.n, list, err)
		}
		text, err := os.ReadFile(list[2].Path)
		if err != nil || string(text) != "copy 11" {
			t.Errorf("the newest holds %q %v", text, err)
		}
	})
}

// TestACopyThatFailsCostsNoOldOne: nothing is taken away for it, it is tried retryAfter
// within the hour, and the failure can be seen.
func TestACopyThatFailsCostsNoOldOne(t *testing.T) {
	src := &copies{}
	k := keeper(t, src)
	for range 3 {
		if err := k.Make(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	src.fail = errors.New("the card is worn out")
	if err := k.Make(t.Context()); err == nil || !strings.Contains(err.Error(), "worn out") {
		t.Errorf("%v", err)
	}
	last, failure := k.Newest()
	if list, _ := List(k.o.Folder); len(list) != 3 || last.Number != 3 || !strings.Contains(failure, "worn out") {
		t.Errorf("kept %+v, newest %+v, failure %q", list, last, failure)
	}
	src.fail = nil
	if err := k.Make(t.Context()); err != nil {
		t.Fatal(err)
	}
	if last, failure = k.Newest(); last.Number != 4 || failure != "" {
		t.Errorf("newest %+v, failure %q", last, failure)
	}
}

// TestAFullDiskIsLeftToTheLedger: a copy must not take the room that records need.
func TestAFullDiskIsLeftToTheLedger(t *testing.T) {
	src := &copies{}
	k := keeper(t, src)
	k.free = func(string) (int64, error) { return reserveBytes + 999, nil }
	if err := k.Make(t.Context()); err == nil || !strings.Contains(err.Error(), "make room") || src.n != 0 {
		t.Errorf("%d copies, %v", src.n, err)
	}
}

// TestOrderIsByNumber: files of other names, and clocks, do not matter.
func TestOrderIsByNumber(t *testing.T) {
	src := &copies{}
	k := keeper(t, src)
	for range 2 {
		if err := k.Make(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	old := time.Date(1970, 1, 1, 0, 0, 7, 0, time.UTC)
	if err := os.Chtimes(filepath.Join(k.o.Folder, "ledger-000002.db"), old, old); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"ledger-5.db", "ledger-00000x.db", "notes.txt", "ledger-000009.db.part", "my-ledger-000099.db"} {
		if err := os.WriteFile(filepath.Join(k.o.Folder, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(k.o.Folder, "ledger-000050.db"), 0o700); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if err := k.Make(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	list, err := List(k.o.Folder)
	if err != nil || len(list) != 3 || list[0].Number != 3 || list[2].Number != 5 {
		t.Errorf("%+v %v", list, err)
	}
	if _, err := os.Stat(filepath.Join(k.o.Folder, "my-ledger-000099.db")); err != nil {
		t.Errorf("a file that is not ours is gone: %v", err)
	}
}

// TestAClockThatIsNotSetSaysNothingOfAge: a board without a clock begins at the same time every morning, when the copy of
// yesterday looks a few minutes old; it gets its copy all the same. And what is shown of a copy goes by the clock of now.
func TestAClockThatIsNotSetSaysNothingOfAge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var clock wall.Clock
		boot := time.Date(1970, 1, 1, 0, 0, 20, 0, time.UTC)
		src := &copies{}
		o := keeper(t, src).o
		o.Now, o.ClockFloor = clock.Now, time.Now()
		for day := range 5 {
			clock.SetTo(boot.Add(time.Duration(day) * time.Second)) // never sooner than the day before
			ctx, cancel := context.WithTimeout(context.Background(), 10*time.Hour)
			k := New(o)
			k.free = func(string) (int64, error) { return 1 << 30, nil }
			k.Run(ctx)
			cancel()
			clock.SetBy(0)
			last, _ := k.Newest()
			if last == nil {
				t.Fatal("no copy was made")
			}
			if age := clock.Now().Round(0).Sub(last.Made.Round(0)); age < 9*time.Hour || age > 10*time.Hour {
				t.Errorf("with the clock right again the copy is said to be %s old", age)
			}
			made := boot.Add(startDelay)
			if err := os.Chtimes(last.Path, made, made); err != nil {
				t.Fatal(err)
			}
			time.Sleep(14 * time.Hour)
		}
		if src.n != 5 {
			t.Errorf("%d copies in five days", src.n)
		}
	})
}

// TestRestartsMakeNoCopyEach: a daemon that starts ten times a day makes one.
func TestRestartsMakeNoCopyEach(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := &copies{}
		k := keeper(t, src)
		for range 20 {
			ctx, cancel := context.WithTimeout(context.Background(), 2*time.Hour+24*time.Minute)
			k = New(k.o)
			k.free = func(string) (int64, error) { return 1 << 30, nil }
			k.Run(ctx)
			cancel()
			// The file's time is the real clock's, not the bubble's.
			if last := k.newest.Load(); last != nil {
				if err := os.Chtimes(last.Path, last.Made, last.Made); err != nil {
					t.Fatal(err)
				}
			}
		}
		if src.n < 2 || src.n > 3 {
			t.Errorf("%d copies in two days of ten starts each", src.n)
		}
	})
}

// TestHalfMadeCopiesAreSweptAway: those of a process that was killed, and nothing else; one
// that somebody makes just now is left alone.
func TestHalfMadeCopiesAreSweptAway(t *testing.T) {
	k := keeper(t, &copies{})
	if err := os.MkdirAll(k.o.Folder, 0o750); err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-2 * makeLimit)
	for name, stays := range map[string]bool{".ledger-000007.db.1234.part": false, ".ledger-000007.db.1234.part-journal": false,
		".ledger-000009.db.99.part": true, ".notes": true, "ledger-notes.part": true} {
		path := filepath.Join(k.o.Folder, name)
		if err := os.WriteFile(path, []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
		if name != ".ledger-000009.db.99.part" {
			if err := os.Chtimes(path, old, old); err != nil {
				t.Fatal(err)
			}
		}
		defer func() {
			if _, err := os.Stat(path); (err == nil) != stays {
				t.Errorf("%s: %v", name, err)
			}
		}()
	}
	if err := k.Make(t.Context()); err != nil {
		t.Fatal(err)
	}
}
