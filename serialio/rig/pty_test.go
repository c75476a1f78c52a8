package rig

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// serve offers a rig on a pseudo-terminal and returns the path of its link.
func serve(t *testing.T, change func(*Settings)) (*Rig, string) {
	t.Helper()
	s := DefaultSettings()
	s.Speed, s.Machine.MinExtrudeC = 0, 0
	change(&s)
	r, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "machine")
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.ServePTY(ctx, path) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("serve: %v", err)
		}
		r.Close()
		if _, err := os.Lstat(path); err == nil {
			t.Error("the link is still there")
		}
	})
	appears(t, path)
	return r, path
}

// appears waits for the link; the terminal is outside any bubble, in real time.
func appears(t *testing.T, path string) {
	t.Helper()
	for range 500 {
		if _, err := os.Stat(path); err == nil {
			return
		}
		<-time.After(10 * time.Millisecond)
	}
	t.Fatal("no link after 5 s")
}

// device opens the terminal as any program would, with reads that give up.
func device(t *testing.T, path string) *host {
	t.Helper()
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	return &host{t: t, port: &patient{os.NewFile(uintptr(fd), path)}}
}

// patient makes a file's Read return nothing after a while, as a Port does.
type patient struct{ *os.File }

func (p *patient) Read(b []byte) (int, error) {
	p.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
	n, err := p.File.Read(b)
	if os.IsTimeout(err) {
		return 0, nil
	}
	return n, err
}

func TestPTY(t *testing.T) {
	r, path := serve(t, func(s *Settings) { s.Belt.SlipOnReleaseMM = 0 })
	for round := 1; round <= 3; round++ {
		h := device(t, path)
		if s := h.line(5 * time.Second); s != "start" {
			t.Fatalf("round %d: first line %q", round, s)
		}
		h.line(5 * time.Second)
		h.do("G1 Z10 F600", "M400")
		if said := h.do("M114"); len(said) != 1 || !strings.HasPrefix(said[0], "X:0.00 Y:0.00 Z:10.00") {
			t.Errorf("round %d: position %q", round, said)
		}
		h.port.Close()
	}
	if got := r.BeltTravelMM(); got != 30 {
		t.Errorf("belt travel %v, want 30", got)
	}
	if n := len(r.Record()); n != 9 {
		t.Errorf("%d lines recorded, want 9", n)
	}
}

func TestPTYPathInUse(t *testing.T) {
	r, err := New(DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, []byte("precious"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := r.ServePTY(context.Background(), path); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("error %v", err)
	}
	if b, _ := os.ReadFile(path); string(b) != "precious" {
		t.Error("the file was touched")
	}
	if err := r.ServePTY(context.Background(), filepath.Join(path, "x")); err == nil {
		t.Error("no error for an impossible path")
	}
}

func TestPTYUnplug(t *testing.T) {
	r, path := serve(t, func(s *Settings) { s.Board.ResetOnOpen = false })
	h := device(t, path)
	h.do("G92 X5")
	r.Inject(Fault{Kind: Unplug, For: 200 * time.Millisecond})
	if s := h.line(5 * time.Second); !strings.HasPrefix(s, "read: ") {
		t.Fatalf("after unplug: %q", s)
	}
	h.port.Close()
	appears(t, path)
	h = device(t, path)
	h.n = 1
	if said := h.do("M114"); len(said) != 1 || !strings.HasPrefix(said[0], "X:5.00") {
		t.Errorf("after replug: %q", said)
	}
	h.port.Close()
}
