package job

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// A pipe in the place of the job must not hold up a run: opening one for
// reading waits for a writer (POSIX.1, open).
func TestPipeInPlaceOfJob(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clip.gcode")
	if err := os.WriteFile(path, []byte(start+"G1 X6 E5\nM104 S0\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	p := mustInspect(t, path, upright)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, kind := range []SectionKind{LeadIn, Body, LeadOut} {
		opened := make(chan error, 1)
		go func() {
			r, err := p.Open(kind)
			if err == nil {
				r.Close()
			}
			opened <- err
		}()
		select {
		case err := <-opened:
			if !errors.Is(err, ErrChanged) {
				t.Errorf("%s: got %v, want ErrChanged", kind, err)
			}
		case <-time.After(5 * time.Minute): // real time, since the wait is in the kernel; generous, since the computer may be slow and busy
			t.Fatalf("%s: waits for a writer", kind)
		}
	}
}
