package main

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"beltwarden/config"
	"beltwarden/daemon/client"
	"beltwarden/serialio"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// Every class of error has the status that the help gives it, one first line, and
// the remedy on a line of its own where there is one.
func TestTell(t *testing.T) {
	wrap := func(err error) error { return fmt.Errorf("cannot go on: %w", err) }
	for _, c := range []struct {
		err    error
		status int
		says   string
	}{
		{nil, 0, ""},
		{io.ErrUnexpectedEOF, 1, "error: unexpected EOF\n"},
		{usagef("cannot see %d", 7), exitUsage, "error: cannot see 7\nhint: see: check --help\n"},
		{usageMany("see", []string{"a", "b"}), exitUsage, "error: cannot see: 2 mistakes\n  a\n  b\nhint: see: check --help\n"},
		{wrap(config.Errors{{File: "f", Line: 3, Column: 1, Field: "belt.x", Problem: "is wrong"}}), exitConfig, "error: cannot use configuration f: 1 mistake\n  f:3:1: belt.x: is wrong\nhint: "},
		{&config.Error{File: "f", Problem: "does not exist", Remedy: "write one"}, exitConfig, "error: cannot use configuration f: it does not exist\nhint: write one\n"},
		{&job.Refusal{Path: "j", Problems: []job.Finding{{Line: 2, Text: "no", Remedy: "do"}, {Line: 4, Text: "nor"}}}, exitJob,
			"error: cannot run job j: 2 problems\n  j:2: no; do\n  j:4: nor\nhint: "},
		{wrap(job.ErrChanged), exitJob, "error: "},
		{wrap(&serialio.OpenError{Path: "/dev/x", Reason: serialio.OpenBusy, Hint: "Wait."}), exitPort, "error: cannot go on: cannot open port /dev/x: port is in use\nhint: Wait.\n"},
		{wrap(serialio.ErrSilent), 6, "error: cannot go on: board does not answer\nhint: "},
		{wrap(serialio.ErrDesync), 6, "error: "},
		{wrap(ledger.ErrNewer), 7, "error: "},
		{wrap(ledger.ErrCorrupt), 7, "error: "},
		{wrap(ledger.ErrLocked), 7, "error: "},
		{wrap(ledger.ErrFull), 7, "error: "},
		{&supervisor.Refusal{What: "start", Why: "no lot is open", Remedy: "open one"}, 8, "error: "},
		{&client.Problem{Status: http.StatusConflict, Detail: "cannot start: no lot; open one", Remedy: "open one"}, 8, "error: cannot start: no lot\nhint: open one\n"},
		{&client.Problem{Status: http.StatusBadRequest, Detail: "no"}, exitUsage, "error: no\n"},
		{lotProblem(&client.Problem{Status: http.StatusUnprocessableEntity, Detail: "a.gcode:1: no\na.gcode:2: nor"}), exitJob, "error: a.gcode:1: no\n  a.gcode:2: nor\nhint: "},
		{&client.Problem{Status: http.StatusServiceUnavailable, Detail: "ending"}, 9, "error: ending\n"},
		{wrap(&client.UnreachableError{Address: "/s", Err: errors.New("no")}), 9, "error: cannot reach the daemon at /s: no\nhint: start it with: beltwarden serve"},
	} {
		var out strings.Builder
		if got := tell(&out, pointed(newCheck(), c.err)); got != c.status {
			t.Errorf("%v: status %d, want %d", c.err, got, c.status)
		}
		if !strings.HasPrefix(out.String(), c.says) {
			t.Errorf("%v: says %q, want %q", c.err, out.String(), c.says)
		}
	}
}

func TestExitMeaningsAreDistinct(t *testing.T) {
	seen := map[string]bool{}
	before := -1
	for _, e := range exitMeanings {
		if e.status <= before || e.status > 125 || e.meaning == "" || seen[e.meaning] { // from 126 on they are the shell's
			t.Errorf("status %d stands behind %d with meaning %q", e.status, before, e.meaning)
		}
		seen[e.meaning], before = true, e.status
	}
}

// No status that keeps the service down is one that a daemon can end with that has fallen
// over: the runtime's own are seen on a real process, by the signals of a watchdog
// (systemd.service(5), WatchdogSignal=SIGABRT) and of the kernel.
func TestAFallenDaemonIsStartedAgain(t *testing.T) {
	unit, err := os.ReadFile("../deploy/beltwarden.service")
	if err != nil {
		t.Fatal(err)
	}
	stays := make(map[string]bool)
	for _, line := range strings.Split(string(unit), "\n") {
		if list, ok := strings.CutPrefix(line, "RestartPreventExitStatus="); ok {
			for _, s := range strings.Fields(list) {
				stays[s] = true
			}
		}
	}
	if !stays[strconv.Itoa(exitUsage)] || !stays[strconv.Itoa(exitConfig)] || len(stays) != 2 {
		t.Errorf("the service stays down after %v", stays)
	}
	for _, m := range exitMeanings {
		if m.status >= 2 && m.status <= 5 {
			t.Errorf("status %d is one of the Go runtime's", m.status)
		}
	}
	for _, sig := range []syscall.Signal{syscall.SIGABRT, syscall.SIGQUIT, syscall.SIGSEGV} {
		cmd := exec.Command("beltwarden", "rig", "--pty", filepath.Join(t.TempDir(), "m"))
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if _, err := out.Read(make([]byte, 1)); err != nil { // it has begun
			t.Fatal(err)
		}
		if err := cmd.Process.Signal(sig); err != nil {
			t.Fatal(err)
		}
		go io.Copy(io.Discard, out)
		_ = cmd.Wait()
		if got := cmd.ProcessState.ExitCode(); stays[strconv.Itoa(got)] || got == exitOK {
			t.Errorf("%s: ended with %d, and would not be started again", sig, got)
		} else {
			t.Logf("%s: ended with %d", sig, got)
		}
	}
}
