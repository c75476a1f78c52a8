package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// workshop is a directory with a configuration and what it names: port, ledger
// and socket. Its limits are the shortest that a configuration allows.
type workshop struct {
	dir, config, port, ledger, socket, log string
}

// newWorkshop writes a configuration. extra are further lines of it, whole groups.
func newWorkshop(t testing.TB, machineLines, extra string) *workshop {
	t.Helper()
	// A socket's path has to be short.
	dir, err := os.MkdirTemp("", "bw")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if !strings.Contains(extra, "hold:\n") {
		extra += "hold:\n"
	}
	extra = strings.Replace(extra, "hold:\n", "hold:\n  first_article: false\n", 1)
	w := &workshop{dir: dir, config: filepath.Join(dir, "machine.yaml"), port: filepath.Join(dir, "m"),
		ledger: filepath.Join(dir, "ledger.db"), socket: filepath.Join(dir, "s"), log: filepath.Join(dir, "log")}
	text := fmt.Sprintf("machine:\n  name: clip machine\n  port: %s\n  belt_axis: Y\n  forward: +1\n  reset_wait_s: 0.5\n"+
		"  temperature_poll_s: 1\n%sbelt:\n  to_drop_mm: 220\n  worst_drift_mm_per_m: 0.001\nledger:\n  path: %s\n  progress_every_s: 1\n"+
		"server:\n  socket: %s\n  listen: \"\"\nlog:\n  format: console\n%s", w.port, machineLines, w.ledger, w.socket, extra)
	if err := os.WriteFile(w.config, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return w
}

// simulate offers a simulated machine at the workshop's port for the test's life.
func (w *workshop) simulate(t testing.TB, s rig.Settings) *rig.Rig {
	t.Helper()
	r, err := rig.New(s)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- r.ServePTY(ctx, w.port) }()
	t.Cleanup(func() {
		cancel()
		if err := <-served; err != nil {
			t.Error(err)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	})
	eventually(t, "the pseudo-terminal is there", func() bool { _, err := os.Stat(w.port); return err == nil })
	return r
}

// serving is the daemon in a process of its own.
type serving struct {
	*client.Client
	cmd   *exec.Cmd
	ended chan struct{} // closed when the process is gone
	err   error         // how it ended, once it has
}

// serve starts the daemon. program is the path of the binary, or its name where
// this test binary plays it.
func (w *workshop) serve(t testing.TB, program string) *serving {
	t.Helper()
	return w.start(t, exec.Command(program, "serve", "--config", w.config))
}

// start starts a command that is the daemon. Its log is appended to the workshop's.
func (w *workshop) start(t testing.TB, cmd *exec.Cmd) *serving {
	t.Helper()
	log, err := os.OpenFile(w.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	d := &serving{Client: client.New(w.socket), cmd: withParent(cmd), ended: make(chan struct{})}
	d.cmd.Stdout, d.cmd.Stderr = log, log
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { d.err = d.cmd.Wait(); close(d.ended) }()
	t.Cleanup(func() {
		d.Close()
		_ = d.cmd.Process.Kill()
		<-d.ended
	})
	return d
}

// beginClips opens a lot of so many clips and begins it.
func (d *serving) beginClips(t testing.TB, good int) {
	t.Helper()
	clip, err := filepath.Abs(clipFile)
	if err == nil {
		_, err = d.OpenLot(t.Context(), client.LotRequest{Jobs: []string{clip}, Good: []int{good}, Start: true})
	}
	if err != nil {
		t.Fatal(err)
	}
}

// gone reports whether the process has ended.
func (d *serving) gone() bool {
	select {
	case <-d.ended:
		return true
	default:
		return false
	}
}

// stop ends the daemon as a service manager does, and expects it to succeed.
func (d *serving) stop(t testing.TB) {
	t.Helper()
	if err := d.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	select {
	case <-d.ended:
	case <-time.After(patience):
		t.Fatal("the daemon does not end")
	}
	if d.err != nil {
		t.Fatalf("the daemon ended with %v", d.err)
	}
}

// reach waits until the run is in one of the states.
func (d *serving) reach(t testing.TB, states ...supervisor.State) (shot *supervisor.Snapshot) {
	t.Helper()
	eventually(t, fmt.Sprintf("the machine is %v", states), func() bool {
		if d.gone() {
			t.Fatalf("the daemon has ended by itself: %v", d.err)
		}
		s, err := d.Status(t.Context())
		if err != nil {
			return false
		}
		shot = s
		for _, want := range states {
			if s.State == want {
				return true
			}
		}
		return false
	})
	return shot
}

// tail returns the newest lines of the daemon's log, for a test that fails.
func (w *workshop) tail() string {
	data, err := os.ReadFile(w.log)
	if err != nil {
		return err.Error()
	}
	lines := bytes.Split(bytes.TrimSpace(data), []byte("\n"))
	return string(bytes.Join(lines[max(0, len(lines)-40):], []byte("\n")))
}

// outcome is how a command ended.
type outcome struct {
	status         int
	stdout, stderr string
}

// command runs the program to its end.
func command(t testing.TB, cmd *exec.Cmd) outcome {
	t.Helper()
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	hung := time.AfterFunc(patience, func() { _ = cmd.Process.Kill() })
	_ = cmd.Wait() // the status says it
	if !hung.Stop() {
		t.Errorf("%s did not end within %v", strings.Join(cmd.Args, " "), patience)
	}
	return outcome{cmd.ProcessState.ExitCode(), out.String(), errs.String()}
}

// eventually waits in real time for another process, with a bound that only a
// hang reaches.
func eventually(t testing.TB, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !is(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("it does not come about that %s", what)
		}
	}
}
