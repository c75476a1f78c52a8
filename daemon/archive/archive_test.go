package archive

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

func of(text string) string {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

// keep hands a text to the archive as a job.
func keep(a *Archive, text string) (string, error) {
	return a.Take(context.Background(), int64(len(text)), func(w io.Writer) (string, error) {
		_, err := io.WriteString(w, text)
		return of(text), err
	})
}

func must(t *testing.T, a *Archive, text string) string {
	t.Helper()
	file, err := keep(a, text)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(file); err != nil || string(got) != text {
		t.Fatalf("the copy of %q is %q, %v", text, got, err)
	}
	return file
}

// names lists the copies by the first letter of their text, and says what else is there.
func names(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, e := range entries {
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		if e.Name() != of(string(text))+suffix {
			all = append(all, e.Name())
			continue
		}
		all = append(all, string(text[:1]))
	}
	slices.Sort(all)
	return strings.Join(all, " ")
}

func fresh(t *testing.T, limit int64, uses map[string]Use) *Archive {
	return New(Options{Folder: filepath.Join(t.TempDir(), "lot-jobs"), LimitBytes: limit,
		Uses: func(context.Context) (map[string]Use, error) { return uses, nil }})
}

func TestCopiesAreKeptByDigest(t *testing.T) {
	a := fresh(t, 0, nil)
	if _, ok := a.Find(of("clip")); ok {
		t.Error("found before it was taken")
	}
	file := must(t, a, "clip")
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o400 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	if found, ok := a.Find(of("clip")); !ok || found != file {
		t.Errorf("found %q", found)
	}
	must(t, a, "clip")
	if again, err := os.Stat(file); err != nil || !os.SameFile(info, again) {
		t.Error("a copy from which a lot may run was replaced by the same")
	}
	for _, digest := range []string{"", "../clip", strings.Repeat("/", 64), strings.Repeat("A", 64)} {
		if file, ok := a.Find(digest); ok {
			t.Errorf("%q found %s", digest, file)
		}
	}
	// What was damaged on the disk is copied again.
	if err := os.Chmod(file, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte("clap"), 0o600); err != nil {
		t.Fatal(err)
	}
	must(t, a, "clip")
}

// Bounds hold: the oldest lot's job goes first, and never one that is needed.
func TestRoom(t *testing.T) {
	uses := map[string]Use{of("aaaa"): {Lot: 3}, of("bbbb"): {Lot: 1, Needed: true}, of("cccc"): {Lot: 2}}
	a := fresh(t, 12, uses)
	for _, text := range []string{"aaaa", "bbbb", "cccc"} {
		must(t, a, text)
	}
	if _, err := keep(a, "dddd"); !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), "12 of the 12 allowed") {
		t.Errorf("all are being opened: %v", err)
	}
	recorded := func() { // lots that were being opened are long in the ledger
		for digest := range a.taken {
			a.taken[digest] = time.Now().Add(-2 * openLimit)
		}
	}
	recorded()
	must(t, a, "dddd")
	if got := names(t, a.o.Folder); got != "a b d" {
		t.Errorf("left: %s", got)
	}
	must(t, a, "eeee")
	if got := names(t, a.o.Folder); got != "b d e" {
		t.Errorf("left: %s", got)
	}
	recorded()
	if _, err := keep(a, strings.Repeat("f", 13)); !errors.Is(err, ErrFull) {
		t.Errorf("larger than all: %v", err)
	}
	if got := names(t, a.o.Folder); got != "b d e" {
		t.Errorf("a job that does not fit took away others: %s", got)
	}
	b := fresh(t, 0, nil)
	b.free = func(string) (int64, error) { return reserveBytes + 3, nil }
	if _, err := keep(b, "gggg"); !errors.Is(err, ErrFull) {
		t.Errorf("the disk is full: %v", err)
	}
	// The disk fills up while it is copied.
	big := strings.Repeat("h", 3*chunkBytes)
	looks := 0
	b.free = func(string) (int64, error) { looks++; return map[bool]int64{true: 1 << 40}[looks < 2], nil }
	_, err := b.Take(context.Background(), int64(len(big)), func(w io.Writer) (string, error) {
		_, err := io.Copy(w, struct{ io.Reader }{bytes.NewReader([]byte(big))})
		return "", err
	})
	if !errors.Is(err, ErrFull) || names(t, b.o.Folder) != "" {
		t.Errorf("%v, left: %s", err, names(t, b.o.Folder))
	}
}

// Nothing half copied stays, and what is not from here is left alone.
func TestNothingHalf(t *testing.T) {
	a := fresh(t, 0, nil)
	must(t, a, "clip")
	for _, name := range []string{tempPrefix + "abc", "notes.txt"} {
		if err := os.WriteFile(filepath.Join(a.o.Folder, name), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	broken := errors.New("the card is out")
	_, err := a.Take(context.Background(), 9, func(w io.Writer) (string, error) {
		_, _ = io.WriteString(w, "peg")
		return "", broken
	})
	if !errors.Is(err, broken) {
		t.Error(err)
	}
	if _, err := a.Take(context.Background(), 2, func(w io.Writer) (string, error) {
		_, err := io.WriteString(w, "peg")
		return of("peg"), err
	}); err == nil || !strings.Contains(err.Error(), "grows while it is copied") {
		t.Error(err)
	}
	if got := names(t, a.o.Folder); got != "c notes.txt" {
		t.Errorf("left: %s", got)
	}
}

// BenchmarkTake is what a copy costs beside reading the job's digest alone, until it is
// durable on the disk.
func BenchmarkTake(b *testing.B) {
	text := bytes.Repeat([]byte("G1 X101.25 Y20.5 E3.0125\n"), 4_000_000)
	b.SetBytes(int64(len(text)))
	var took, digest time.Duration
	for b.Loop() {
		a := New(Options{Folder: b.TempDir(), Uses: func(context.Context) (map[string]Use, error) { return nil, nil }})
		began := time.Now()
		sum := of(string(text))
		digest += time.Since(began)
		began = time.Now()
		if _, err := a.Take(context.Background(), int64(len(text)), func(w io.Writer) (string, error) {
			_, err := w.Write(text)
			return sum, err
		}); err != nil {
			b.Fatal(err)
		}
		took += time.Since(began)
	}
	b.ReportMetric(took.Seconds()/digest.Seconds(), "copy/digest")
}

// A copy that another lot is about to be made of does not go, however old its lot is.
func TestACopyThatIsUsedAgainStays(t *testing.T) {
	uses := map[string]Use{of("a"): {Lot: 1}, of("b"): {Lot: 2}}
	dir := t.TempDir()
	options := Options{Folder: dir, LimitBytes: 2, Uses: func(context.Context) (map[string]Use, error) { return uses, nil }}
	a := New(options)
	must(t, a, "a")
	must(t, a, "b")
	a = New(options) // another process
	if _, ok := a.Reserve(of("a")); !ok {
		t.Fatal("the copy is not found")
	}
	must(t, a, "c")
	if got := names(t, dir); got != "a c" {
		t.Errorf("there are %s", got)
	}
	if _, ok := a.Reserve(of("b")); ok {
		t.Error("a copy is found that is gone")
	}
}
