package main

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
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
		{usagef("cannot see %d", 7), 2, "error: cannot see 7\nhint: "},
		{usageMany("see", []string{"a", "b"}), 2, "error: cannot see: 2 mistakes\n  a\n  b\nhint: "},
		{wrap(config.Errors{{File: "f", Line: 3, Column: 1, Field: "belt.x", Problem: "is wrong"}}), 3, "error: cannot use configuration f: 1 mistake\n  f:3:1: belt.x: is wrong\nhint: "},
		{&config.Error{File: "f", Problem: "does not exist", Remedy: "write one"}, 3, "error: cannot use configuration f: it does not exist\nhint: write one\n"},
		{&job.Refusal{Path: "j", Problems: []job.Finding{{Line: 2, Text: "no", Remedy: "do"}, {Line: 4, Text: "nor"}}}, 4,
			"error: cannot run job j: 2 problems\n  j:2: no; do\n  j:4: nor\nhint: "},
		{wrap(job.ErrChanged), 4, "error: "},
		{wrap(&serialio.OpenError{Path: "/dev/x", Reason: serialio.OpenBusy, Hint: "Wait."}), 5, "error: cannot go on: cannot open port /dev/x: port is in use\nhint: Wait.\n"},
		{wrap(serialio.ErrSilent), 6, "error: cannot go on: board does not answer\nhint: "},
		{wrap(serialio.ErrDesync), 6, "error: "},
		{wrap(ledger.ErrNewer), 7, "error: "},
		{wrap(ledger.ErrCorrupt), 7, "error: "},
		{wrap(ledger.ErrLocked), 7, "error: "},
		{wrap(ledger.ErrFull), 7, "error: "},
		{&supervisor.Refusal{What: "start", Why: "no lot is open", Remedy: "open one"}, 8, "error: "},
		{&client.Problem{Status: http.StatusConflict, Detail: "cannot start: no lot; open one", Remedy: "open one"}, 8, "error: cannot start: no lot\nhint: open one\n"},
		{&client.Problem{Status: http.StatusBadRequest, Detail: "no"}, 2, "error: no\n"},
		{lotProblem(&client.Problem{Status: http.StatusUnprocessableEntity, Detail: "a.gcode:1: no\na.gcode:2: nor"}), 4, "error: a.gcode:1: no\n  a.gcode:2: nor\nhint: "},
		{&client.Problem{Status: http.StatusServiceUnavailable, Detail: "ending"}, 9, "error: ending\n"},
		{wrap(&client.UnreachableError{Address: "/s", Err: errors.New("no")}), 9, "error: cannot reach the daemon at /s: no\nhint: start it with: beltwarden serve"},
	} {
		var out strings.Builder
		if got := tell(&out, c.err); got != c.status {
			t.Errorf("%v: status %d, want %d", c.err, got, c.status)
		}
		if !strings.HasPrefix(out.String(), c.says) {
			t.Errorf("%v: says %q, want %q", c.err, out.String(), c.says)
		}
	}
}

func TestExitMeaningsAreDistinct(t *testing.T) {
	seen := map[string]bool{}
	for i, e := range exitMeanings {
		if e.status != i || e.meaning == "" || seen[e.meaning] {
			t.Errorf("status %d stands at place %d with meaning %q", e.status, i, e.meaning)
		}
		seen[e.meaning] = true
	}
}
