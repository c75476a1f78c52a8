package baddisk

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// under is Under, or the end of the test where there is no means.
func under(t *testing.T, f Fault, do func()) Report {
	t.Helper()
	r, err := Under(f, do)
	if errors.Is(err, ErrNoMeans) {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// work does one of each kind of operation, and returns what each gave. The errors that a disk gives are those of the
// calls' manual pages.
func work(dir string) map[string]error {
	name := filepath.Join(dir, "a")
	out := map[string]error{}
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
	out["create"] = err
	if err != nil {
		return out
	}
	defer f.Close()
	_, out["write"] = f.Write([]byte("0123456789"))
	out["sync"] = f.Sync()
	_, out["write at"] = f.WriteAt([]byte("abcdefghij"), 10)
	out["sync again"] = f.Sync()
	_, out["read"] = f.ReadAt(make([]byte, 5), 0)
	out["cut"] = f.Truncate(15)
	out["rename"] = os.Rename(name, name+"2")
	out["link"] = os.Link(name+"2", name+"3")
	out["remove"] = os.Remove(name + "3")
	out["mkdir"] = os.Mkdir(filepath.Join(dir, "d"), 0o700)
	return out
}

func TestEachKindFailsWhatItConcerns(t *testing.T) {
	for _, c := range []struct {
		kind  Kind
		errno unix.Errno
		fails []string // each alone, in the order in which they are met
	}{
		{NoSpace, unix.ENOSPC, []string{"create", "write", "write at", "link", "mkdir"}},
		{ReadOnly, unix.EROFS, []string{"create", "write", "write at", "cut", "rename", "link", "remove", "mkdir"}},
		{Denied, unix.EACCES, []string{"create", "rename", "link", "remove", "mkdir"}},
		{WriteError, unix.EIO, []string{"write", "write at"}},
		{ReadError, unix.EIO, []string{"read"}},
		{SyncError, unix.EIO, []string{"sync", "sync again"}},
		{SyncLoss, unix.EIO, []string{"sync", "sync again"}},
		{NameError, unix.EIO, []string{"cut", "rename", "link", "remove", "mkdir"}},
	} {
		t.Run(c.kind.String(), func(t *testing.T) {
			for i, name := range c.fails {
				dir := t.TempDir()
				var got map[string]error
				r := under(t, Fault{Kind: c.kind, In: dir, At: i + 1}, func() { got = work(dir) })
				if r.Struck != 1 || r.First == "" {
					t.Errorf("operation %d: %+v", i+1, r)
				}
				if !errors.Is(got[name], c.errno) {
					t.Errorf("operation %d: %s gave %v", i+1, name, got[name])
				}
			}
			dir := t.TempDir()
			r := under(t, Fault{Kind: c.kind, In: dir}, func() {
				for name, err := range work(dir) {
					if err != nil {
						t.Errorf("without a fault %s gave %v", name, err)
					}
				}
			})
			if r.Met != len(c.fails) || r.Struck != 0 {
				t.Errorf("without a fault: %+v", r)
			}
		})
	}
}

func TestAFailingWriteIsHalfThere(t *testing.T) {
	dir := t.TempDir()
	under(t, Fault{Kind: WriteError, In: dir, At: 2}, func() { work(dir) })
	got, err := os.ReadFile(filepath.Join(dir, "a2"))
	if err != nil || string(got) != "0123456789abcde" {
		t.Errorf("%q %v", got, err)
	}
}

func TestWhatWasNotSyncedIsLost(t *testing.T) {
	dir := t.TempDir()
	under(t, Fault{Kind: SyncLoss, In: dir, At: 2}, func() { work(dir) })
	got, err := os.ReadFile(filepath.Join(dir, "a2"))
	if err != nil || string(got[:10]) != "0123456789" || string(got[10:]) != "\x00\x00\x00\x00\x00" { // cut to 15 afterwards
		t.Errorf("%q %v", got, err)
	}
}

func TestAFullDiskSaysSo(t *testing.T) {
	free := func(dir string) uint64 {
		var s unix.Statfs_t
		if err := unix.Statfs(dir, &s); err != nil {
			t.Error(err)
		}
		return s.Bavail
	}
	dir := t.TempDir()
	before := free(dir)
	var full, later uint64
	under(t, Fault{Kind: NoSpace, In: dir, At: 1}, func() {
		work(dir)
		full = free(dir)
		work(dir)
		later = free(dir)
	})
	if before == 0 || full != 0 || later == 0 {
		t.Errorf("free before: %d blocks, after a write that failed for want of room: %d, after one that went through: %d", before, full, later)
	}
}

func TestOtherDirectoriesAndThreadsAreSound(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	under(t, Fault{Kind: ReadOnly, In: dir, At: 1, Lasting: true}, func() {
		for name, err := range work(other) {
			if err != nil {
				t.Errorf("elsewhere %s gave %v", name, err)
			}
		}
		done := make(chan map[string]error)
		go func() { done <- work(dir) }()
		for name, err := range <-done {
			if err != nil {
				t.Errorf("in another goroutine %s gave %v", name, err)
			}
		}
		if err := os.Remove(filepath.Join(dir, "a2")); !errors.Is(err, unix.EROFS) {
			t.Errorf("here: %v", err)
		}
	})
	if err := os.Remove(filepath.Join(dir, "a2")); err != nil {
		t.Errorf("afterwards: %v", err)
	}
}
