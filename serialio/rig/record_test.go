package rig

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/serialio"
)

// stream sends numbered lines with at most window unanswered bytes, and returns when
// all are acknowledged. It takes any line beginning with "ok" for an acknowledgement.
func stream(port serialio.Port, first int64, texts []string, window int) error {
	var sizes []int
	inFlight, next := 0, 0
	out := make([]byte, 0, window)
	buf := make([]byte, 4096)
	begin := true
	for next < len(texts) || len(sizes) > 0 {
		out = out[:0]
		for next < len(texts) {
			f := frame(first+int64(next), texts[next])
			if len(sizes) > 0 && inFlight+len(f) > window {
				break
			}
			out = append(out, f...)
			inFlight += len(f)
			sizes = append(sizes, len(f))
			next++
		}
		if len(out) > 0 {
			if _, err := port.Write(out); err != nil {
				return err
			}
		}
		n, err := port.Read(buf)
		if err != nil {
			return err
		}
		for _, b := range buf[:n] {
			if begin && b == 'o' {
				inFlight -= sizes[0]
				sizes = sizes[1:]
			}
			begin = b == '\n'
		}
	}
	return nil
}

func TestStreamIsRecordedExactly(t *testing.T) {
	for _, speed := range []float64{0, 1, 50} {
		synctest.Test(t, func(t *testing.T) {
			var sink bytes.Buffer
			r, h := open(t, func(s *Settings) { s.Speed, s.RecordTo = speed, &sink })
			h.lines()
			var texts []string
			for i := range 3000 {
				texts = append(texts, fmt.Sprintf("G1 X%d.%d Z%d  E%d F6000", i%90, i%10, i%7, i))
			}
			if err := stream(h.port, 1, append(texts, "M400"), 120); err != nil {
				t.Fatal(err)
			}
			f := r.Figures()
			if f.Rejected+f.Overflows != 0 || f.Starved > 0 && speed != 1 {
				t.Errorf("speed %v: figures %+v", speed, f)
			}
			if err := r.Close(); err != nil {
				t.Error(err)
			}
			var got []string
			for i, l := range strings.Split(strings.TrimSuffix(sink.String(), "\n"), "\n") {
				words := strings.SplitN(l, "\t", 4)
				if words[0] != fmt.Sprint(i+1) || words[1] != words[0] {
					t.Fatalf("line %d of the record is %q", i, l)
				}
				got = append(got, words[3])
			}
			if !slices.Equal(got, append(texts, "M400")) {
				t.Errorf("speed %v: %d lines recorded, or not the same", speed, len(got))
			}
			if r.Record() != nil && len(r.Record()) > 0 {
				t.Error("kept in memory as well")
			}
		})
	}
}

// The whole of a run follows from the seed.
func TestSameSeedSameRun(t *testing.T) {
	run := func(seed uint64) (f Figures) {
		synctest.Test(t, func(t *testing.T) {
			r, h := open(t, func(s *Settings) {
				s.Seed, s.Belt.JitterMMPerSqrtM, s.Machine.SensorNoiseC = seed, 0.5, 0.3
				s.Faults = []Fault{{Kind: Flip, Rate: 1e-3}, {Kind: LoseOk, Rate: 0.05}}
			})
			h.lines()
			var texts []string
			for i := range 60 {
				texts = append(texts, fmt.Sprintf("G1 Z%d E%d F6000", i%50*20, i))
			}
			if err := stubborn(h, texts); err != nil {
				t.Fatal(err)
			}
			f = r.Figures()
			f.CommandedMM = r.LateralOffsetMM()
		})
		return f
	}
	a, b, c := fmt.Sprint(run(5)), fmt.Sprint(run(5)), fmt.Sprint(run(6))
	if a != b {
		t.Errorf("two runs of one seed differ:\n%s\n%s", a, b)
	}
	if a == c {
		t.Error("two seeds give the same run")
	}
}

// Short moves through a slow round trip let the planner run empty; in a window they
// do not.
func TestStarvation(t *testing.T) {
	var texts []string
	for i := range 200 {
		texts = append(texts, fmt.Sprintf("G1 X%.1f E%d F1200", float64(i)/10, i))
	}
	for window, starves := range map[int]bool{0: true, 120: false} {
		synctest.Test(t, func(t *testing.T) {
			r, h := open(t, func(s *Settings) { s.Board.Latency = 15 * time.Millisecond; s.Board.ReceiveBuffer = 256 })
			h.lines()
			w := window
			if !starves {
				w = 240
				h.do("G4 S1") // time to fill planner and buffer
			}
			if err := stream(h.port, h.n+1, texts, w); err != nil {
				t.Fatal(err)
			}
			if n := r.Figures().Starved; (n > 50) != starves {
				t.Errorf("window %d: starved %d times", w, n)
			}
		})
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestRecordError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.RecordTo = brokenWriter{} })
		h.lines()
		h.do("M105", "M105")
		if err := r.Close(); err == nil || !strings.Contains(err.Error(), "disk full") {
			t.Errorf("close: %v", err)
		}
	})
}

func TestBadSettings(t *testing.T) {
	s := DefaultSettings()
	s.Speed, s.Belt.Axis, s.Machine.StepsPerMM[Z], s.Board.Queue = -1, 'X', 0, 0
	s.Faults = []Fault{{Kind: Silence}}
	_, err := New(s)
	for _, want := range []string{"speed", "belt axis", "steps per mm of Z", "queue", "fault 1"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error does not mention %s: %v", want, err)
		}
	}
}

// A host that does not read loses bytes and does not stop the board.
func TestDeafHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Board.Latency = 0 })
		h.lines()
		h.do("M155 S1")
		<-time.After(4 * time.Hour)
		if f := r.Figures(); f.HostOverflow == 0 {
			t.Errorf("nothing lost in four hours: %+v", f)
		}
	})
}

func benchmarkStream(b *testing.B, window int) {
	s := DefaultSettings()
	s.Speed, s.Machine.MinExtrudeC, s.RecordTo = 0, 0, io.Discard
	s.Board.ResetOnOpen = false
	s.Board.ReceiveBuffer = 1024
	r, err := New(s)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	p, err := r.Open(context.Background(), serialio.Settings{Path: "rig"})
	if err != nil {
		b.Fatal(err)
	}
	texts := make([]string, b.N)
	for i := range texts {
		texts[i] = fmt.Sprintf("G1 X%d.%d Y%d.5 E%d.25 F3000", i%90, i%10, i%70, i)
	}
	b.ReportAllocs()
	b.ResetTimer()
	if err := stream(p, 1, texts, window); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "lines/s")
}

func BenchmarkOneLine(b *testing.B)   { benchmarkStream(b, 0) }
func BenchmarkWindow120(b *testing.B) { benchmarkStream(b, 120) }
func BenchmarkWindow900(b *testing.B) { benchmarkStream(b, 900) }

// TestRecordTellsWhatWasNoCommand: boards skip what stands before a command, so that it is the
// board's word, and not how the line begins, that tells whether it did anything.
func TestRecordTellsWhatWasNoCommand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Speed = 0 })
		h.lines()
		h.raw("G1 X1 F600\n\xce27 G1 Z3 F600\n108\nM999\n")
		h.lines()
		for k, want := range []bool{false, false, true, true} {
			if e := r.Record()[k]; e.Unknown != want {
				t.Errorf("%q: no command of the board's: %t, want %t", e.Text, e.Unknown, want)
			}
		}
	})
}
