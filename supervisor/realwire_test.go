package supervisor

import (
	"context"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// TestRealWireTable prints the throughput of the wire with the lines of the real job as the run sends
// them, on a machine that takes no time for its moves; a USB frame of 1 ms lies in each direction.
// Time is virtual, so the figures are exact. Compared with one line at a time, a window can gain at
// most the ratio of a line's round trip to its time on the wire: three times at 250000 baud only with
// lines of 26 bytes and less.
func TestRealWireTable(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	var out strings.Builder
	fmt.Fprintf(&out, "\nwire, first 4000 lines of the real part\n%8s %7s | %8s %8s | %8s %8s %6s | %6s %8s\n",
		"baud", "buffer", "bytes", "one/s", "window/s", "cable/s", "share", "gain", "at most")
	for _, form := range []gcode.Form{gcode.Spaced, gcode.Tight} {
		opt := testJobOptions()
		opt.Form = form
		plan, err := job.Inspect(t.Context(), realJob, opt, nil)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(&out, map[gcode.Form]string{gcode.Spaced: "a blank between words", gcode.Tight: "no needless blanks"}[form])
		for _, baud := range []int{115200, 250000, 1000000} {
			for _, buffer := range []int{64, 128, 1024} {
				one, bytes := realRate(t, plan, baud, buffer, 0)
				win, _ := realRate(t, plan, baud, buffer, buffer)
				cable := float64(baud) / 10 / bytes
				most := cable * (0.002 + (bytes+3)/(float64(baud)/10))
				fmt.Fprintf(&out, "%8d %7d | %8.1f %8.0f | %8.0f %8.0f %5.1f%% | %5.1fx %7.1fx\n", baud, buffer,
					bytes, one, win, cable, 100*win/cable, win/one, most)
				if buffer == 1024 && win < 0.97*cable {
					t.Errorf("%d baud: the window reaches %.1f %% of the cable, want 97 %%", baud, 100*win/cable)
				}
			}
		}
	}
	t.Log(out.String())
}

// realRate returns lines per second and bytes per line.
func realRate(t *testing.T, plan *job.Plan, baud, buffer, window int) (rate, size float64) {
	synctest.Test(t, func(t *testing.T) {
		set := testRig()
		b := &set.Board
		b.ReceiveBuffer, b.Latency, b.ResetOnOpen, b.ReportTemps, b.MotorTimeout = buffer, time.Millisecond, false, false, 0
		instant(&set)
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
		await(t, c, serialio.EventSynced)
		track := tracker{axis: gcode.Z, forward: 1}
		track.reset()
		src := &source{t: &track, program: Program{Before: []string{"M110 N9", "M220 S100000"}, Plan: plan, Section: job.Body}}
		before, began := c.Stats(), time.Now()
		if err := c.Run(1, &some{src, 4002}); err != nil {
			t.Fatal(err)
		}
		await(t, c, serialio.EventDone)
		took := time.Since(began).Seconds()
		src.close(io.EOF)
		now := c.Stats()
		if f := r.Figures(); now.Resends != 0 || f.Overflows != 0 || f.MaxPendingBytes > buffer {
			t.Errorf("%d baud, buffer %d, window %d: %d resends, %d overflows, %d bytes unread", baud, buffer, window, now.Resends, f.Overflows, f.MaxPendingBytes)
		}
		lines := float64(now.LinesSent - before.LinesSent)
		rate, size = lines/took, float64(now.BytesSent-before.BytesSent)/lines
	})
	return rate, size
}

// instant makes moves take negligible time.
func instant(set *rig.Settings) {
	m := &set.Machine
	m.MinExtrudeC = 0
	for i := range m.MaxFeedMMPerS {
		m.MaxFeedMMPerS[i], m.MaxAccelMMPerS2[i] = 1e6, 1e9
	}
	m.AccelMMPerS2, m.JunctionDeviationMM = 1e9, 10
}
