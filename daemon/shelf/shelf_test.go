package shelf

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/iotest"
	"time"

	"go.uber.org/goleak"
)

// patience bounds waits that only a hang makes long: generous, since the computer may be slow and busy.
const patience = 5 * time.Minute

// A crowd of uploads leaves four at work, and room comes back when they end.
func TestManyAtOnce(t *testing.T) {
	s, err := Open(t.TempDir(), 1000)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	busy := make(chan error, 60)
	var writers []*io.PipeWriter
	for n := range 60 {
		r, w := io.Pipe()
		writers = append(writers, w)
		go func() {
			_, err := s.Put(context.Background(), fmt.Sprintf("peg-%d.gcode", n), r)
			busy <- err
		}()
	}
	for n := range 60 - maxReceiving {
		select {
		case err := <-busy:
			if !errors.Is(err, ErrBusy) {
				t.Errorf("beyond the bound: %v", err)
			}
		case <-time.After(patience):
			for _, w := range writers {
				_ = w.Close()
			}
			t.Fatalf("%d were turned away, and the others are received", n)
		}
	}
	for _, w := range writers {
		_ = w.Close()
	}
	for range maxReceiving {
		if err := <-busy; err != nil {
			t.Error(err)
		}
	}
	if _, err := s.Put(t.Context(), "clip.gcode", strings.NewReader("G28\n")); err != nil {
		t.Errorf("afterwards: %v", err)
	}
}

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func open(t *testing.T, limit int64) *Shelf {
	t.Helper()
	s, err := Open(filepath.Join(t.TempDir(), "jobs"), limit)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func put(t *testing.T, s *Shelf, name, text string) Item {
	t.Helper()
	i, err := s.Put(t.Context(), name, strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return i
}

// files are the names in the folder, the hidden ones too.
func files(t *testing.T, s *Shelf) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(s.Dir())
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func TestPutKeepsEveryContent(t *testing.T) {
	s := open(t, 1<<20)
	a := put(t, s, "clip.gcode", "G28\n")
	want := sha256.Sum256([]byte("G28\n"))
	if a.Name != "clip.gcode" || a.Bytes != 4 || a.SHA256 != hex.EncodeToString(want[:]) || !filepath.IsAbs(a.Path) {
		t.Errorf("%+v", a)
	}
	if again := put(t, s, "../clip.gcode", "G28\n"); again.Path != a.Path {
		t.Errorf("the same file was stored twice: %s", again.Path)
	}
	b, c := put(t, s, "clip.gcode", "G29\n"), put(t, s, "clip.gcode", "G30\n")
	if b.Name != "clip-2.gcode" || c.Name != "clip-3.gcode" {
		t.Errorf("%s, %s", b.Name, c.Name)
	}
	if again := put(t, s, "clip.gcode", "G30\n"); again.Name != c.Name {
		t.Errorf("%s", again.Name)
	}
	for _, i := range []Item{a, b, c} {
		data, err := os.ReadFile(i.Path)
		if got := sha256.Sum256(data); err != nil || hex.EncodeToString(got[:]) != i.SHA256 {
			t.Errorf("%s holds %q, %v", i.Name, data, err)
		}
		if info, err := os.Stat(i.Path); err != nil || info.Mode().Perm()&0o007 != 0 {
			t.Errorf("%s: %v, %v", i.Name, info.Mode(), err)
		}
	}
	if got := files(t, s); len(got) != 4 { // the three and the checksums
		t.Errorf("the folder holds %q", got)
	}
}

func TestListIsNewestFirst(t *testing.T) {
	s := open(t, 1<<20)
	for i, name := range []string{"peg.gcode", "clip.gcode", "tie.gcode"} {
		it := put(t, s, name, name)
		at := time.Date(2026, 3, 1, 8, i, 0, 0, time.UTC)
		if err := os.Chtimes(it.Path, at, at); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(s.Dir(), "folder.gcode"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("/etc/passwd", filepath.Join(s.Dir(), "link.gcode")); err != nil {
		t.Fatal(err)
	}
	list, err := s.List()
	if err != nil || len(list) != 3 || list[0].Name != "tie.gcode" || list[2].Name != "peg.gcode" {
		t.Errorf("%+v, %v", list, err)
	}
	if list[0].SHA256 != "" { // its time is another than when it was stored
		t.Errorf("a file that may have been altered has a checksum")
	}
}

// Checksums outlive the process; what was half received does not.
func TestOpenAgain(t *testing.T) {
	s := open(t, 1<<20)
	a := put(t, s, "clip.gcode", "G28\n")
	torn := filepath.Join(s.Dir(), tempPrefix+"abc")
	if err := os.WriteFile(torn, []byte("G2"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := Open(s.Dir(), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if got, err := again.Get("clip.gcode"); err != nil || got.SHA256 != a.SHA256 || !got.Stored.Equal(a.Stored) {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := os.Stat(torn); !os.IsNotExist(err) {
		t.Errorf("what was half received is still there: %v", err)
	}
	// A damaged list of checksums costs the checksums alone.
	if err := os.WriteFile(filepath.Join(s.Dir(), sumsFile), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	third, err := Open(s.Dir(), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	defer third.Close()
	if got, err := third.Get("clip.gcode"); err != nil || got.SHA256 != "" {
		t.Errorf("%+v, %v", got, err)
	}
	if same := put(t, third, "clip.gcode", "G28\n"); same.Name != "clip.gcode" || same.SHA256 != a.SHA256 {
		t.Errorf("%+v", same)
	}
}

// A file that cannot be stored whole leaves the folder as it was.
func TestPutLeavesNothingBehind(t *testing.T) {
	broken := errors.New("the connection broke")
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	for name, c := range map[string]struct {
		ctx  context.Context
		r    io.Reader
		free int64
		want error
	}{
		"too large":       {t.Context(), strings.NewReader(strings.Repeat("x", 4097)), 1 << 40, ErrTooLarge},
		"without an end":  {t.Context(), endless{}, 1 << 40, ErrTooLarge},
		"broken off":      {t.Context(), io.MultiReader(strings.NewReader("G28\n"), iotest.ErrReader(broken)), 1 << 40, broken},
		"nobody waits":    {gone, strings.NewReader("G28\n"), 1 << 40, context.Canceled},
		"no room":         {t.Context(), strings.NewReader("G28\n"), reserveBytes, ErrFull},
		"announced, torn": {t.Context(), iotest.TimeoutReader(strings.NewReader(strings.Repeat("x", 3000))), 1 << 40, iotest.ErrTimeout},
	} {
		t.Run(name, func(t *testing.T) {
			s := open(t, 4096)
			s.free = func() (int64, error) { return c.free, nil }
			if i, err := s.Put(c.ctx, "clip.gcode", c.r); !errors.Is(err, c.want) || i != (Item{}) || !strings.HasPrefix(err.Error(), `cannot store the job "clip.gcode": `) {
				t.Errorf("%+v, %v", i, err)
			}
			if got := files(t, s); len(got) != 0 {
				t.Errorf("the folder holds %q", got)
			}
		})
	}
	s := open(t, 4096)
	if i, err := s.Put(t.Context(), "clip.gcode", strings.NewReader(strings.Repeat("x", 4096))); err != nil || i.Bytes != 4096 {
		t.Errorf("a file of exactly the limit: %+v, %v", i, err)
	}
}

type endless struct{}

func (endless) Read(p []byte) (int, error) { return len(p), nil }

// The device answers as a disk does that is full.
func TestFullDiskIsNamed(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip(err)
	}
	defer full.Close()
	s := open(t, 1<<20)
	_, err = s.receive(t.Context(), full, strings.NewReader("G28\n"))
	if err == nil || !errors.Is(storeError("clip.gcode", err), ErrFull) {
		t.Fatalf("%v", err)
	}
}

func TestPathRefusesTricks(t *testing.T) {
	s := open(t, 1<<20)
	i := put(t, s, "clip.gcode", "G28\n")
	if got, err := s.Path("clip.gcode"); err != nil || got != i.Path {
		t.Errorf("%s, %v", got, err)
	}
	outside := filepath.Join(filepath.Dir(s.Dir()), "secret")
	if err := os.WriteFile(outside, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, link := range []string{"link.gcode", "up"} {
		if err := os.Symlink("../secret", filepath.Join(s.Dir(), link)); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"", ".", "..", "../secret", `..\secret`, "/etc/passwd", i.Path, "./clip.gcode", "jobs/clip.gcode", "clip.gcode/", "clip.gcode\x00",
		"%2e%2e/secret", "link.gcode", "up", sumsFile, tempPrefix + "x", "CLIP.GCODE", "clip.gcode ", strings.Repeat("x", 5000), "\u2025/secret", "nul"} {
		if got, err := s.Path(name); !errors.Is(err, ErrNotFound) || got != "" {
			t.Errorf("%q leads to %q, %v", name, got, err)
		}
		if err := s.Remove(t.Context(), name, nil); !errors.Is(err, ErrNotFound) {
			t.Errorf("%q can be taken away: %v", name, err)
		}
	}
	if _, err := os.Stat(outside); err != nil {
		t.Error(err)
	}
}

// A link in the place of a file to be stored is left alone, and not written through.
func TestPutDoesNotFollowLinks(t *testing.T) {
	s := open(t, 1<<20)
	outside := filepath.Join(filepath.Dir(s.Dir()), "secret")
	if err := os.WriteFile(outside, []byte("keep"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("../secret", filepath.Join(s.Dir(), "clip.gcode")); err != nil {
		t.Fatal(err)
	}
	if i := put(t, s, "clip.gcode", "G28\n"); i.Name != "clip-2.gcode" {
		t.Errorf("%+v", i)
	}
	if data, err := os.ReadFile(outside); err != nil || string(data) != "keep" {
		t.Errorf("%q, %v", data, err)
	}
}

func TestRemove(t *testing.T) {
	s := open(t, 1<<20)
	i := put(t, s, "clip.gcode", "G28\n")
	needed := errors.New("lot 3 needs it")
	err := s.Remove(t.Context(), "clip.gcode", func(_ context.Context, path string) error {
		if path != i.Path {
			t.Errorf("the guard was asked about %s", path)
		}
		return needed
	})
	if !errors.Is(err, needed) {
		t.Errorf("%v", err)
	}
	if _, err := s.Get("clip.gcode"); err != nil {
		t.Error(err)
	}
	release, other := s.Hold(), s.Hold() // two lots may be opened at once
	release()
	if err := s.Remove(t.Context(), "clip.gcode", nil); !errors.Is(err, ErrHeld) {
		t.Errorf("while a lot is opened: %v", err)
	}
	other()
	if err := s.Remove(t.Context(), "clip.gcode", nil); err != nil {
		t.Error(err)
	}
	if list, err := s.List(); err != nil || len(list) != 0 {
		t.Errorf("%+v, %v", list, err)
	}
}

// Many senders at once: each content once, under names of its own.
func TestPutAtOnce(t *testing.T) {
	s := open(t, 1<<20)
	const contents, times = 8, 4
	s.receiving = make(chan struct{}, contents*times) // so that none is turned away
	var wait sync.WaitGroup
	for n := range contents * times {
		wait.Go(func() {
			text := fmt.Sprintf("G4 P%d\n", n%contents)
			i, err := s.Put(t.Context(), "peg.gcode", strings.NewReader(text))
			if err != nil {
				t.Error(err)
				return
			}
			if data, err := os.ReadFile(i.Path); err != nil || !bytes.Equal(data, []byte(text)) {
				t.Errorf("%s holds %q, %v", i.Name, data, err)
			}
		})
	}
	wait.Wait()
	if list, err := s.List(); err != nil || len(list) != contents {
		t.Errorf("%d files of %d contents, %v", len(list), contents, err)
	}
	if got := files(t, s); len(got) != contents+1 {
		t.Errorf("the folder holds %q", got)
	}
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{file, filepath.Join(file, "jobs")} {
		if s, err := Open(dir, 1); err == nil || s != nil || !strings.Contains(err.Error(), "cannot use the folder for jobs: ") {
			t.Errorf("%s: %v", dir, err)
		}
	}
}
