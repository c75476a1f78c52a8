package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/daemon/disk"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// mostResidentKB is what the whole daemon may ever have in memory, 1 kB = 1024 bytes.
const mostResidentKB = 40 << 10

// TestBigJobStaysSmall has the daemon, the binary as it is shipped and in a process
// of its own, inspect and stream a job of many megabytes, and asks the kernel for the
// most memory that the process ever held.
func TestBigJobStaysSmall(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	mb := int64(64)
	if os.Getenv("BELTWARDEN_BIG") == "1" {
		mb = 1000
	}
	dir := t.TempDir()
	free, err := disk.Free(dir)
	if err != nil {
		t.Fatal(err)
	}
	if free < 3*mb*1_000_000 {
		t.Skipf("%d MB are free in %s, the job and its margin want %d", free/1_000_000, dir, 3*mb)
	}
	job := filepath.Join(dir, "long-peg.gcode")
	lines := writeBigJob(t, job, mb*1_000_000)

	w := newWorkshop(t, "  window_bytes: 8000\n", "")
	s := rig.DefaultSettings()
	s.Belt.Axis, s.Belt.LoopLengthMM, s.Speed, s.RecordTo = 'Y', 2400, 0, io.Discard
	s.Board = rig.Variations()["large"]
	s.Board.ReceiveBuffer, s.Board.ResetOnOpen = 8192, false
	r := w.simulate(t, s)
	d := w.serve(t, shipped(t))
	d.reach(t, supervisor.Idle)
	idle := peakKB(t, d)
	begun := time.Now()
	if _, err := d.OpenLot(t.Context(), client.LotRequest{Jobs: []string{job}, Good: []int{1}, Start: true}); err != nil {
		t.Fatal(err)
	}
	inspected, early := time.Since(begun), peakKB(t, d)
	// Four times what a slow computer needs, so that only a hang reaches it.
	shot := d.complete(t, w, begun.Add(patience+time.Duration(mb)*4*time.Second))
	took, peak, did := time.Since(begun), peakKB(t, d), r.Figures().LinesExecuted
	if shot.Lot.Made != 1 || did < uint64(lines)-10 {
		t.Errorf("%d parts were made and %d lines executed, want 1 and at least %d", shot.Lot.Made, did, lines-10)
	}
	if peak >= mostResidentKB {
		t.Errorf("%.1f MB were resident at most, want less than %.1f", float64(peak)/1024, float64(mostResidentKB)/1024)
	}
	t.Logf("%d MB, %d lines: inspected in %.1f s, made in %.1f s; at most %.1f MB resident (%.1f idle, %.1f after the inspection)",
		mb, lines, inspected.Seconds(), took.Seconds(), float64(peak)/1024, float64(idle)/1024, float64(early)/1024)
	d.stop(t)
}

// complete waits for the end of the lot, and meanwhile has the daemon answer what
// it is asked all day: status and metrics, whose memory counts.
func (d *serving) complete(t *testing.T, w *workshop, bound time.Time) *supervisor.Snapshot {
	t.Helper()
	browser := &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", w.socket)
	}}}
	defer browser.CloseIdleConnections()
	for ; time.Now().Before(bound); time.Sleep(100 * time.Millisecond) {
		shot, err := d.Status(t.Context())
		if err != nil {
			t.Fatalf("%v; the log ends with\n%s", err, w.tail())
		}
		switch shot.State {
		case supervisor.Complete:
			return shot
		case supervisor.Aborted, supervisor.Held, supervisor.Stopped:
			t.Fatalf("the machine is %s: %s", shot.State, shot.Cause.Text)
		}
		answer, err := browser.Get("http://beltwarden/metrics")
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(answer.Body)
		_ = answer.Body.Close()
		if err != nil || !bytes.Contains(body, []byte("beltwarden_")) {
			t.Fatalf("the metrics are %q, %v", body, err)
		}
	}
	t.Fatal("the lot does not come to its end")
	return nil
}

// writeBigJob writes a job of about size bytes: layers of a plate, as a slicer
// writes them. It returns the number of lines.
func writeBigJob(t *testing.T, path string, size int64) (lines int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	out := bufio.NewWriterSize(f, 1<<20)
	var written int64
	put := func(format string, a ...any) {
		n, _ := fmt.Fprintf(out, format+"\n", a...)
		written += int64(n)
		lines++
	}
	for _, l := range []string{"G21", "G90", "M83", "M140 S60", "M104 S200", "G28", "M190 S60", "M109 S200", "G1 Z0.2 F600"} {
		put("%s", l)
	}
	for layer := 1; written < size; layer++ {
		put("G1 Z%.2f F600", 0.2+float64(layer%500)*0.2)
		for i := range 1000 {
			put("G1 X%.3f Y%.3f E%.5f", 10+float64((i*37)%1000)/20, float64((i*53)%1000)/40, 0.04)
		}
	}
	put("G1 Z120 F600")
	put("M104 S0")
	put("M140 S0")
	if err := out.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return lines
}

// shipped builds the program as the Makefile does, once: without the race detector and
// the test's own code, which would be measured too.
func shipped(t *testing.T) string {
	t.Helper()
	path, err := builtOnce()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

var builtOnce = sync.OnceValues(func() (string, error) {
	beside, err := exec.LookPath("beltwarden") // TestMain removes that folder
	if err != nil {
		return "", err
	}
	path := filepath.Join(filepath.Dir(beside), "beltwarden-shipped")
	build := exec.Command("go", "build", "-ldflags=-s -w", "-o", path, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("cannot build the program: %w\n%s", err, out)
	}
	return path, nil
})

// peakKB is the most memory that the process has had resident, by the kernel's account.
func peakKB(t *testing.T, d *serving) int {
	t.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", d.cmd.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(status)) {
		if f := strings.Fields(line); len(f) == 3 && f[0] == "VmHWM:" && f[2] == "kB" {
			kb, err := strconv.Atoi(f[1])
			if err != nil {
				t.Fatal(err)
			}
			return kb
		}
	}
	t.Fatalf("no VmHWM in %s", status)
	return 0
}
