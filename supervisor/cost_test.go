package supervisor

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// rigProcess makes this test binary the simulated machine of another process, so that the time it
// spends is measured separately.
const rigProcess = "BELTWARDEN_RIG_AT"

// TestRigProcess is the simulated machine in a process of its own, if the environment requests it.
func TestRigProcess(t *testing.T) {
	path := os.Getenv(rigProcess)
	if path == "" {
		t.Skip("this is no test of its own: the measurements start it")
	}
	set := testRig()
	set.Speed = 0
	set.Board = rig.Variations()["large"]
	set.Board.ReceiveBuffer, set.Board.ResetOnOpen = 16<<10, false
	instant(&set)
	set.RecordTo = nothing{}
	if speed, err := strconv.ParseFloat(os.Getenv("BELTWARDEN_RIG_SPEED"), 64); err == nil {
		set.Speed = speed
	}
	r, err := rig.New(set)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		os.Stdin.Read(make([]byte, 1)) // ends when the other process does
		cancel()
	}()
	if err := r.ServePTY(ctx, path); err != nil {
		t.Fatal(err)
	}
}

type nothing struct{}

func (nothing) Write(b []byte) (int, error) { return len(b), nil }

// farRig starts a simulated machine in another process and returns a synchronised connection to it,
// through a pseudo-terminal and the real serial library.
func farRig(tb testing.TB, window int, speed string, tap func(serialio.Port) serialio.Port) *serialio.Conn {
	tb.Helper()
	tty := filepath.Join(tb.TempDir(), "machine")
	cmd := exec.Command(os.Args[0], "-test.run=^TestRigProcess$", "-test.count=1")
	cmd.Env = append(os.Environ(), rigProcess+"="+tty, "BELTWARDEN_RIG_SPEED="+speed)
	cmd.Stderr = os.Stderr
	alive, err := cmd.StdinPipe()
	if err != nil {
		tb.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { alive.Close(); cmd.Wait() })
	for range 1000 {
		if _, err := os.Stat(tty); err == nil {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	port, err := serialio.OpenDevice(tb.Context(), serialio.Settings{Path: tty, BaudRate: 1000000})
	if err != nil {
		tb.Fatal(err)
	}
	if tap != nil {
		port = tap(port)
	}
	c := serialio.NewConn(port, serialio.Options{WindowBytes: window, BootWait: -1, QuietFor: 20 * time.Millisecond})
	tb.Cleanup(func() {
		go func() {
			for range c.Events() {
			}
		}()
		c.Close()
	})
	await(tb, c, serialio.EventSynced)
	return c
}

// await receives events until one of the given kind arrives.
func await(tb testing.TB, c *serialio.Conn, kind serialio.EventKind) {
	tb.Helper()
	for ev := range c.Events() {
		if ev.Kind == kind {
			return
		}
		if ev.Kind == serialio.EventLost || ev.Kind == serialio.EventFailed {
			tb.Fatal(ev.Err)
		}
	}
	tb.Fatal("the connection has ended")
}

// spent is the CPU time of this process so far.
func spent(tb testing.TB) time.Duration {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		tb.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// some are the first lines of a source.
type some struct {
	serialio.Source
	left int
}

func (s *some) Next(dst []byte) ([]byte, error) {
	if s.left--; s.left < 0 {
		return dst, io.EOF
	}
	return s.Source.Next(dst)
}

// BenchmarkHostCost streams the real job, as the run does, to a machine in another process: the cost
// of a line in this process (user and system time, including reading and following the job), and its
// allocations. The machine answers at once, or at the pace of a wire of 1,000,000 baud, where answers
// arrive few at a time.
func BenchmarkHostCost(b *testing.B) {
	plan, err := job.Inspect(b.Context(), realJob, testJobOptions(), nil)
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		window int
		speed  string
	}{{1024, "0"}, {4096, "0"}, {16 << 10, "0"}, {1024, "1"}} {
		b.Run(fmt.Sprintf("window=%d/speed=%s", c.window, c.speed), func(b *testing.B) { hostCost(b, plan, c.window, c.speed) })
	}
}

func hostCost(b *testing.B, plan *job.Plan, window int, speed string) {
	c := farRig(b, window, speed, nil)
	track := tracker{axis: gcode.Z, forward: 1}
	track.reset()
	run := func(id uint64, lines int) {
		src := &source{t: &track, program: Program{Before: []string{"M220 S100000"}, Plan: plan, Section: job.Body}}
		if err := c.Run(id, &some{src, lines}); err != nil {
			b.Fatal(err)
		}
		await(b, c, serialio.EventDone)
		src.close(io.EOF)
	}
	run(1, 2000)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	stats, cpu := c.Stats(), spent(b)
	b.ResetTimer()
	for id, left := uint64(2), b.N; left > 0; id++ {
		n := min(left, int(plan.Body.LastLine-plan.Body.FirstLine))
		run(id, n)
		left -= n
	}
	b.StopTimer()
	cpu = spent(b) - cpu
	runtime.ReadMemStats(&after)
	now := c.Stats()
	if now.Resends+now.Timeouts > 0 {
		b.Errorf("the measurement was disturbed: %+v", now)
	}
	lines := float64(now.LinesAccepted - stats.LinesAccepted)
	b.ReportMetric(float64(cpu.Nanoseconds())/1000/lines, "cpu-µs/line")
	b.ReportMetric(float64(after.Mallocs-before.Mallocs)/lines, "allocs/line")
	b.ReportMetric(lines/b.Elapsed().Seconds(), "lines/s")
	b.ReportMetric(0, "ns/op")
}

// TestALineAllocatesNothing: reading and following a line of the job allocates no memory, however long
// the job.
func TestALineAllocatesNothing(t *testing.T) {
	plan, err := job.Inspect(t.Context(), realJob, testJobOptions(), nil)
	if err != nil {
		t.Fatal(err)
	}
	track := tracker{axis: gcode.Z, forward: 1}
	track.reset()
	src := &source{t: &track, program: Program{Plan: plan, Section: job.Body, EndNumber: 900_000_000}}
	defer src.close(io.EOF)
	line := make([]byte, 0, 256)
	step := func() {
		if line, err = src.Next(line[:0]); err != nil {
			t.Fatal(err)
		}
		src.Accepted(1)
	}
	for range 100 {
		step()
	}
	if n := testing.AllocsPerRun(5000, step); n != 0 {
		t.Errorf("%v allocations a line, want none", n)
	}
}
