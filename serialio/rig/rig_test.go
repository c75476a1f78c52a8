package rig

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"beltwarden/serialio"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// host is the smallest possible sender, one unanswered line at a time.
type host struct {
	t    *testing.T
	port serialio.Port
	buf  []byte
	n    int64
}

// open makes a rig with the settings changed, and opens it.
func open(t *testing.T, change func(*Settings)) (*Rig, *host) {
	t.Helper()
	s := DefaultSettings()
	s.Machine.SensorNoiseC = 0
	s.Machine.MinExtrudeC = 0
	if change != nil {
		change(&s)
	}
	r, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	h := &host{t: t}
	h.reopen(r)
	return r, h
}

func (h *host) reopen(r *Rig) {
	h.t.Helper()
	p, err := r.Open(context.Background(), serialio.Settings{Path: "rig", BaudRate: 115200})
	if err != nil {
		h.t.Fatal(err)
	}
	h.port, h.buf, h.n = p, nil, 0
}

// line returns the next line from the board, or "" after the given silence.
func (h *host) line(silence time.Duration) string {
	h.t.Helper()
	last := time.Now()
	b := make([]byte, 4096)
	for {
		if i := bytes.IndexByte(h.buf, '\n'); i >= 0 {
			s := string(h.buf[:i])
			h.buf = h.buf[i+1:]
			return s
		}
		n, err := h.port.Read(b)
		if err != nil {
			return "read: " + err.Error()
		}
		if n > 0 {
			h.buf = append(h.buf, b[:n]...)
			last = time.Now()
		} else if time.Since(last) >= silence {
			return ""
		}
	}
}

// lines returns what the board says until it has been silent for a second, or has
// said twice on end that it waits. The waits are left out.
func (h *host) lines() []string {
	var all []string
	waits := 0
	for {
		s := h.line(time.Second)
		if s == "wait" {
			if waits++; waits == 2 {
				return all
			}
			continue
		}
		if s == "" || strings.HasPrefix(s, "read: ") {
			return all
		}
		waits = 0
		all = append(all, s)
	}
}

func (h *host) raw(s string) {
	h.t.Helper()
	if _, err := h.port.Write([]byte(s)); err != nil {
		h.t.Fatal(err)
	}
}

// frame numbers a text and adds the checksum.
func frame(n int64, text string) string {
	s := fmt.Sprintf("N%d %s", n, text)
	sum := byte(0)
	for i := range len(s) {
		sum ^= s[i]
	}
	return fmt.Sprintf("%s*%d\n", s, sum)
}

// do sends numbered lines one by one and returns what came before each ok.
func (h *host) do(texts ...string) []string {
	h.t.Helper()
	var said []string
	for _, text := range texts {
		h.n++
		h.raw(frame(h.n, text))
		for {
			s := h.line(1000 * time.Hour)
			if strings.HasPrefix(s, "read: ") {
				h.t.Fatalf("%s: %s", text, s)
			}
			if strings.HasPrefix(s, "ok") {
				if s != "ok" {
					said = append(said, s)
				}
				break
			}
			said = append(said, s)
		}
	}
	return said
}

func TestStartAndAccept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, nil)
		got := h.lines()
		if len(got) != 2 || got[0] != "start" {
			t.Fatalf("after open: %q", got)
		}
		h.do("G28 X Y", "G1 X10 F600", "M400")
		rec := r.Record()
		if len(rec) != 3 || rec[1].Text != "G1 X10 F600" || rec[1].Number != 2 {
			t.Fatalf("record %+v", rec)
		}
		h.port.Close()
		if _, err := h.port.Write([]byte("x")); !errors.Is(err, serialio.ErrClosed) {
			t.Errorf("write after close: %v", err)
		}
	})
}

func TestMaxSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := time.Now()
		r, h := open(t, func(s *Settings) { s.Speed = 0 })
		h.lines()
		h.do("M109 S210", "G4 S3600")
		for i := range 100 {
			h.do(fmt.Sprintf("G1 X%d F60", i%2*100))
		}
		h.do("M400")
		f := r.Figures()
		if f.MachineTime < 2*time.Hour || time.Since(begin) > 2*time.Minute {
			t.Errorf("machine %v, wall %v", f.MachineTime, time.Since(begin))
		}
	})
}

func settingsOf(path string) serialio.Settings {
	return serialio.Settings{Path: path, BaudRate: 115200}
}
