package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// memoryGroup makes a control group whose processes the kernel can be made to keep within so
// many bytes; the test is skipped where none may be made. join is what a shell writes to.
func memoryGroup(t *testing.T) (join string, usage func() int64, limit func(bytes int64)) {
	t.Helper()
	dir := "/sys/fs/cgroup/memory"
	bound, used := "memory.limit_in_bytes", "memory.usage_in_bytes"
	if text, err := os.ReadFile("/sys/fs/cgroup/cgroup.controllers"); err == nil && strings.Contains(string(text), "memory") {
		dir, bound, used = "/sys/fs/cgroup", "memory.max", "memory.current"
	}
	dir = filepath.Join(dir, fmt.Sprintf("beltwarden-test-%d", os.Getpid()))
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Skipf("no control group for memory may be made here: %v", err)
	}
	t.Cleanup(func() {
		for range 50 { // the kernel takes a moment to see that it is empty
			if os.Remove(dir) == nil {
				return
			}
			time.Sleep(100 * time.Millisecond)
		}
		t.Errorf("the control group %s was left", dir)
	})
	if _, err := os.Stat(filepath.Join(dir, bound)); err != nil {
		t.Skipf("control groups here do not bound memory: %v", err)
	}
	usage = func() int64 {
		text, err := os.ReadFile(filepath.Join(dir, used))
		n, err2 := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		return n
	}
	limit = func(n int64) {
		// What cannot be reclaimed at once makes the kernel refuse; then a little more is asked for.
		for err := error(nil); ; n += 256 << 10 {
			if err = os.WriteFile(filepath.Join(dir, bound), []byte(strconv.FormatInt(n, 10)), 0o644); err == nil {
				return
			}
			if n > 1<<30 {
				t.Fatal(err)
			}
		}
	}
	return filepath.Join(dir, "cgroup.procs"), usage, limit
}

// TestWithoutMemory: the kernel takes the memory from under the daemon in the middle of a part
// and kills it. What the service runs then switches the heaters off, and the count is the
// machine's after the next start.
func TestWithoutMemory(t *testing.T) {
	withoutRace(t)
	t.Parallel() // it waits most of the time
	join, usage, limit := memoryGroup(t)
	w := newWorkshop(t, "", "")
	s := rig.DefaultSettings()
	s.Belt.Axis, s.Speed = 'Y', 60
	s.Board = rig.Variations()["lasting"]
	r := w.simulate(t, s)
	d := w.start(t, exec.Command("sh", "-c", fmt.Sprintf("echo $$ > %s; exec beltwarden serve --config %s", join, w.config)))
	d.reach(t, supervisor.Idle)
	d.beginClips(t, 4)
	eventually(t, "the second part is being made", func() bool {
		shot, err := d.Status(t.Context())
		return err == nil && shot.Lot != nil && shot.Lot.Made == 1 && strings.HasPrefix(shot.Doing, "making")
	})
	before := usage()
	limit(4 << 20)
	var crowd []net.Conn
	defer func() {
		for _, c := range crowd {
			_ = c.Close()
		}
	}()
	for end := time.Now().Add(patience); !d.gone() && time.Now().Before(end); {
		// Whoever asks needs memory, and what there is must be read again for each.
		if c, err := net.DialTimeout("unix", w.socket, time.Second); err == nil && len(crowd) < 400 {
			_, _ = fmt.Fprintf(c, "GET /api/v1/status HTTP/1.1\r\nHost: local\r\nX: %s\r\n", strings.Repeat("x", 8000))
			crowd = append(crowd, c)
		}
		time.Sleep(5 * time.Millisecond)
	}
	if !d.gone() {
		t.Fatalf("it lives on with %d bytes of %d", usage(), before)
	}
	if ws, ok := d.cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || !ws.Signaled() || ws.Signal() != syscall.SIGKILL {
		t.Fatalf("it ended by %v, not by the kernel's hand", d.err)
	}
	_, hot, _, bed := r.Temperatures()
	cool := exec.Command("beltwarden", "cool", "--config", w.config, "--after-failure", "--within", "5m", "--speed", "60")
	cool.Env = append(os.Environ(), serviceResult+"=oom-kill", exitStatus+"=KILL")
	if o := command(t, cool); o.status != exitOK {
		t.Errorf("cool ends with %d: %s%s", o.status, o.stdout, o.stderr)
	}
	if _, nt, _, bt := r.Temperatures(); nt != 0 || bt != 0 {
		t.Errorf("targets of %.0f and %.0f °C before, %.0f and %.0f after", hot, bed, nt, bt)
	}
	d = w.serve(t, "beltwarden")
	shot := d.reach(t, supervisor.Aborted)
	whole := 0
	for _, p := range r.Parts() {
		if p.FilamentMM > 500 { // a clip takes 502.9 mm
			whole++
		}
	}
	t.Logf("with 4 MB of %d kB: killed with targets of %.0f and %.0f °C; then %s, %d made by the ledger, %d interrupted, %d whole on the machine", before>>10, hot, bed, shot.State, shot.Lot.Made, shot.Lot.Interrupted, whole)
	if shot.Lot.Made != whole || shot.Lot.Made+shot.Lot.Interrupted != 2 {
		t.Errorf("%d made and %d interrupted; %d whole on the machine", shot.Lot.Made, shot.Lot.Interrupted, whole)
	}
	d.stop(t)
}
