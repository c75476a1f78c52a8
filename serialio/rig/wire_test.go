package rig_test

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
)

// segments is a job of short straight moves, as a curve comes out of a slicer: a
// zigzag of 0.2 mm steps that all differ.
type segments struct {
	n, left  int
	bytes    int
	accepted int
}

func (s *segments) Next(dst []byte) ([]byte, error) {
	if s.left == 0 {
		return dst, io.EOF
	}
	i := s.n - s.left
	s.left--
	start := len(dst)
	dst = fmt.Appendf(dst, "G1 X%.3f Y%.3f E%.5f", 20+0.2*math.Abs(float64(i%1000)-500), 30+0.001*float64(i%7), 0.007*float64(i+1))
	s.bytes += len(dst) - start
	return dst, nil
}

func (s *segments) Accepted(n int) { s.accepted += n }
func (s *segments) Unsent()        {}

// wireRow is one measurement in virtual time, which is exact and does not depend
// on the machine that runs it.
type wireRow struct {
	linesPerS    float64
	limit, whole float64 // lines/s at most: by bytes; by whole lines
	mmPerS       float64 // along the path
	starved      uint64
}

// measure streams n segments and returns what came of it.
func measure(t *testing.T, baud, buffer, window, n int, feed, accel float64) wireRow {
	var row wireRow
	synctest.Test(t, func(t *testing.T) {
		set := rig.DefaultSettings()
		set.Belt.Axis = 'Z'
		b := &set.Board
		b.ReceiveBuffer, b.Latency, b.ResetOnOpen, b.Planner = buffer, time.Millisecond, false, 16
		b.ReportTemps, b.MotorTimeout = false, 0
		m := &set.Machine
		m.MinExtrudeC = 0
		m.AccelMMPerS2 = accel
		for i := range m.MaxAccelMMPerS2 {
			m.MaxAccelMMPerS2[i] = max(m.MaxAccelMMPerS2[i], accel)
		}
		if feed == 0 { // the wire alone is to be the limit
			for i := range m.MaxFeedMMPerS {
				m.MaxFeedMMPerS[i], m.MaxAccelMMPerS2[i] = 1e6, 1e9
			}
			m.AccelMMPerS2, m.JunctionDeviationMM = 1e9, 10
			feed = 1e6
		}
		r, err := rig.New(set)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		port, err := r.Open(context.Background(), serialio.Settings{Path: "rig", BaudRate: baud})
		if err != nil {
			t.Fatal(err)
		}
		c := serialio.NewConn(port, serialio.Options{WindowBytes: window, BootWait: -1})
		defer c.Close()
		next := func(kind serialio.EventKind) {
			for ev := range c.Events() {
				if ev.Kind == serialio.EventLost {
					t.Fatal(ev.Err)
				}
				if ev.Kind == kind {
					return
				}
			}
		}
		next(serialio.EventSynced)
		c.SendControl(0, fmt.Sprintf("G1 X20 Y30 F%.0f", feed*60))
		next(serialio.EventDone)
		s := &segments{n: n, left: n}
		before := c.Stats()
		start := time.Now()
		if err := c.Run(1, s); err != nil {
			t.Fatal(err)
		}
		next(serialio.EventDone)
		took := time.Since(start).Seconds()
		stats, fig := c.Stats(), r.Figures()
		if stats.Resends != 0 || fig.Overflows != 0 {
			t.Errorf("%d baud, buffer %d, window %d: %d resends, %d overflows", baud, buffer, window, stats.Resends, fig.Overflows)
		}
		frame := float64(stats.BytesSent-before.BytesSent) / float64(stats.LinesSent-before.LinesSent)
		rate := float64(baud) / 10
		trip := 2*0.001 + (frame+float64(len("ok\n")))/rate
		row = wireRow{linesPerS: float64(n) / took, mmPerS: 0.2 * float64(n) / took, starved: fig.Starved}
		row.limit = 1 / trip // one unanswered line
		if window > 0 {
			row.limit = min(rate, float64(window)/trip) / frame
		}
		// A board answers whole lines, and frees its buffer by whole lines: of the line
		// that does not fit any more only a part can be on its way before an answer.
		row.whole = row.limit
		if n := math.Floor(float64(window) / frame); n >= 1 {
			part := float64(window) - n*frame
			row.whole = min(row.limit, n/(2*0.001+(frame-part+float64(len("ok\n")))/rate))
		}
	})
	return row
}

// TestWireTable prints what the wire gives, one line at a time and with a window,
// against what it can give at most: the bytes that the cable carries, or the window
// in each round trip, whichever is less; and, since boards answer whole lines, the
// whole lines that fit. A USB frame of 1 ms lies each way. BELTWARDEN_BENCH makes it
// longer. Time is virtual, so the figures are exact and may be asserted.
func TestWireTable(t *testing.T) {
	const usual, stiff = 1000, 30_000 // acceleration, mm/s²
	n := 2000
	if os.Getenv("BELTWARDEN_BENCH") != "" {
		n = 50_000
	}
	var out strings.Builder
	fmt.Fprintf(&out, "\nwire, lines of 0.2 mm segments, %d each; at the right: speed along the path of 60 mm/s asked for, planner of 16 moves, and times it ran empty\n", n)
	fmt.Fprintf(&out, "%8s %7s | %8s %6s | %8s %8s %6s %8s %6s %6s | %s\n", "baud", "buffer", "one/s", "share", "window/s",
		"bytes/s*", "share", "whole/s", "share", "gain", "mm/s: one, window; empty | same at 30 m/s²")
	for _, baud := range []int{115200, 250000, 1000000} {
		for _, buffer := range []int{64, 128, 1024} {
			one := measure(t, baud, buffer, 0, n, 0, usual)
			win := measure(t, baud, buffer, buffer, n, 0, usual)
			slow := measure(t, baud, buffer, 0, n, 60, usual)
			fast := measure(t, baud, buffer, buffer, n, 60, usual)
			slowStiff := measure(t, baud, buffer, 0, n, 60, stiff)
			fastStiff := measure(t, baud, buffer, buffer, n, 60, stiff)
			fmt.Fprintf(&out, "%8d %7d | %8.0f %5.1f%% | %8.0f %8.0f %5.1f%% %8.0f %5.1f%% %5.1fx | %4.1f, %4.1f; %d, %d | %4.1f, %4.1f; %d, %d\n", baud, buffer,
				one.linesPerS, 100*one.linesPerS/one.limit, win.linesPerS, win.limit, 100*win.linesPerS/win.limit,
				win.whole, 100*win.linesPerS/win.whole, win.linesPerS/one.linesPerS, slow.mmPerS, fast.mmPerS, slow.starved, fast.starved,
				slowStiff.mmPerS, fastStiff.mmPerS, slowStiff.starved, fastStiff.starved)
			if share := win.linesPerS / win.whole; share < 0.97 {
				t.Errorf("%d baud, buffer %d: the window reaches %.1f %% of the limit, want 97 %%", baud, buffer, 100*share)
			}
		}
	}
	out.WriteString("a machine of 1 m/s² slows down before its planner is empty, since it must be able to stop in what it knows\n* lines/s that the limit by bytes would give\n")
	t.Log(out.String())
}
