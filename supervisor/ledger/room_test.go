package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// writeUntilFull lowers the limit on file size and commits until the ledger refuses; then it raises the limit and goes on.
// It prints the number of the last acknowledged note before and after.
func writeUntilFull(path string) int {
	ctx := context.Background()
	fail := func(err error) int { fmt.Fprintln(os.Stderr, err); return 1 }
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_FSIZE, &limit); err != nil {
		return fail(err)
	}
	l, err := Open(path, Options{})
	if err != nil {
		return fail(err)
	}
	if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: 1 << 20, Max: limit.Max}); err != nil {
		return fail(err)
	}
	note := func(n int) error {
		return l.Commit(ctx, EventNoted{"note", fmt.Sprint(n)}, EventNoted{"pad", strings.Repeat("x", 9000)})
	}
	n := 0
	for err = note(0); err == nil && n < 10_000; err = note(n) {
		n++
	}
	if !errors.Is(err, ErrFull) {
		return fail(fmt.Errorf("the limit was met with: %w", err))
	}
	full := err
	if err := note(n); !errors.Is(err, ErrFull) {
		return fail(fmt.Errorf("trying again gave: %w", err))
	}
	if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &limit); err != nil {
		return fail(err)
	}
	if err := note(n); err != nil {
		return fail(fmt.Errorf("after room was made: %w", err))
	}
	if err := l.Close(); err != nil {
		return fail(err)
	}
	fmt.Printf("%d %s", n, full)
	return 0
}

func TestNoRoomIsSaidAndGotOver(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	out, err := again(t, "starved", path).Output()
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if _, err := fmt.Sscan(string(out), &n); err != nil || n < 10 {
		t.Fatalf("the process wrote %q", out)
	}
	if !strings.Contains(string(out), "file size limit") {
		t.Errorf("the error names no remedy: %s", out)
	}
	l := open(t, path, Options{})
	events := must(l.Events(context.Background(), 0, 0))(t)
	if len(events) != 2*(n+1) {
		t.Errorf("%d events are there of %d acknowledged", len(events), 2*(n+1))
	}
}

// The kernel's own full device cannot hold a ledger, but a small file system can, where the test may mount one.
func TestDiskFull(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=480k"); err != nil {
		t.Skipf("mounting is not allowed here (%v); TestNoRoomIsSaidAndGotOver covers the same path", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	fill := filepath.Join(dir, "fill")
	l := open(t, filepath.Join(dir, "ledger.db"), Options{})
	commit(t, l, LotOpened{clips(1, 5)})
	if err := os.WriteFile(fill, make([]byte, 1<<20), 0o600); !errors.Is(err, unix.ENOSPC) {
		t.Fatalf("filling gave %v", err)
	}
	var err error
	for n := 1; err == nil && n < 1000; n++ {
		err = l.Commit(context.Background(), EventNoted{"pad", strings.Repeat("x", 9000)})
	}
	if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), "make room") {
		t.Errorf("a full disk gives %v", err)
	}
	if err := l.Backup(context.Background(), filepath.Join(dir, "copy.db")); !errors.Is(err, ErrFull) {
		t.Errorf("a backup on a full disk gives %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "copy.db")); err == nil {
		t.Error("half a backup was left")
	}
	other := filepath.Join(dir, "other.db")
	if l2, err := Open(other, Options{}); !errors.Is(err, ErrFull) {
		t.Errorf("a new ledger on a full disk gives %v", err)
		if err == nil {
			checkAndClose(t, l2)
		}
	}
	if err := os.Remove(fill); err != nil {
		t.Fatal(err)
	}
	commit(t, l, LotChanged{LotID: 1, Status: LotEnded})
}

// The disk is made to fail by exchanging the descriptor of the write-ahead log for one that cannot be written.
func TestAFailingDiskStopsTheLedger(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	commit(t, l, LotOpened{clips(1, 5)})
	mute, err := os.Open(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	links, err := filepath.Glob("/proc/self/fd/*")
	if err != nil {
		t.Fatal(err)
	}
	exchanged := 0
	for _, link := range links {
		var fd int
		to, err := os.Readlink(link)
		if _, serr := fmt.Sscanf(filepath.Base(link), "%d", &fd); serr != nil || err != nil || to != path+"-wal" || fd == int(mute.Fd()) {
			continue
		}
		if err := unix.Dup3(int(mute.Fd()), fd, unix.O_CLOEXEC); err != nil {
			t.Fatal(err)
		}
		exchanged++
	}
	if exchanged == 0 {
		t.Fatal("the write-ahead log is not among the open files")
	}
	for range 2 { // the second is refused without asking the disk
		if err := l.Commit(ctx, LotChanged{LotID: 1, Status: LotEnded}); !errors.Is(err, ErrDisk) {
			t.Errorf("a failing disk gives %v", err)
		}
	}
	if err := l.Commit(ctx, EventNoted{"note", ""}); err == nil || !strings.Contains(err.Error(), "restart") {
		t.Errorf("after a failure the ledger says %v", err)
	}
	if lot := must(l.Lot(ctx, 1))(t); lot.Status != LotOpen {
		t.Errorf("what failed is read back: %s", lot.Status)
	}
	_ = l.Close() // it cannot clear the log away
	_ = mute.Close()
	l = open(t, path, Options{})
	if lot := must(l.Lot(ctx, 1))(t); lot.Status != LotOpen {
		t.Errorf("after the restart the lot is %s", lot.Status)
	}
	commit(t, l, LotChanged{LotID: 1, Status: LotEnded})
}

// asNobody runs do without the rights of the superuser.
func asNobody(t *testing.T, do func()) {
	t.Helper()
	if os.Geteuid() != 0 {
		do()
		return
	}
	// The thread alone changes; it is thrown away with the goroutine, since it is never unlocked.
	done := make(chan struct{})
	go func() {
		defer close(done)
		runtime.LockOSThread()
		if err := unix.Setfsuid(65534); err != nil {
			t.Error(err)
			return
		}
		do()
	}()
	<-done
}

func TestWithoutTheRightToWrite(t *testing.T) {
	dir := t.TempDir()
	for d := dir; d != "/" && os.Geteuid() == 0; d = filepath.Dir(d) {
		if info, err := os.Stat(d); err != nil || info.Mode().Perm()&0o001 == 0 {
			if err := os.Chmod(d, 0o755); err != nil {
				t.Fatal(err)
			}
		}
		if d == os.TempDir() {
			break
		}
	}
	kept := filepath.Join(dir, "kept.db")
	open(t, kept, Options{})
	if err := os.Chmod(dir, 0o555); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Chmod(dir, 0o755) })
	for path, want := range map[string]string{
		filepath.Join(dir, "new.db"):        "permission denied",
		filepath.Join(dir, "sub", "new.db"): "permission denied",
		kept:                                "permission denied",
	} {
		asNobody(t, func() {
			l, err := Open(path, Options{})
			if err == nil {
				_ = l.Close()
			}
			if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), path) {
				t.Errorf("%s: got %v, want %q", path, err, want)
			}
		})
	}
}

func TestOpenRefusesWhatIsNoFile(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{"": "no path", dir: "is a directory", "/dev/null": "not a regular file",
		filepath.Join(file, "ledger.db"): "not a directory"} {
		if l, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %q", path, err, want)
			if err == nil {
				_ = l.Close()
			}
		}
	}
	if _, err := Open(filepath.Join(dir, "none.db"), Options{ReadOnly: true}); !errors.Is(err, ErrNotFound) {
		t.Errorf("reading a ledger that is not there gives %v", err)
	}
	open(t, file, Options{}) // an empty file is one whose creation was interrupted
}

func TestASecondDaemonIsKeptOut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := open(t, path, Options{})
	commit(t, l, LotOpened{clips(1, 5)})
	_, err := Open(path, Options{})
	if !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), fmt.Sprintf("process %d ", os.Getpid())) {
		t.Errorf("got %v", err)
	}
	r := open(t, path, Options{ReadOnly: true}) // looking on is allowed
	if lots := must(r.Lots(context.Background()))(t); len(lots) != 1 {
		t.Errorf("the reader sees %d lots", len(lots))
	}
	if err := r.Commit(context.Background(), EventNoted{"note", ""}); !errors.Is(err, ErrReadOnly) {
		t.Errorf("writing while looking on gives %v", err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := l.Commit(context.Background(), EventNoted{"note", ""}); !errors.Is(err, ErrClosed) {
		t.Errorf("a commit after closing gives %v", err)
	}
	if _, err := l.Lots(context.Background()); !errors.Is(err, ErrClosed) {
		t.Errorf("reading after closing gives %v", err)
	}
	open(t, path, Options{})
}
