package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/daemon/wording"
	"beltwarden/serialio"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// Exit statuses. Scripts rely on them: a number never changes its meaning. From 2 to 5 they
// are the Go runtime's: a panic, a fault within one, SIGABRT, SIGSEGV and SIGQUIT end with
// them (runtime/panic.go), and the service manager must start such a daemon again. 64 and
// 78 are EX_USAGE and EX_CONFIG of sysexits.h.
const (
	exitOK          = 0
	exitUnexpected  = 1
	exitBoard       = 6
	exitLedger      = 7
	exitRefused     = 8
	exitUnreachable = 9
	exitShort       = 10
	exitTable       = 11
	exitHot         = 12
	exitJob         = 13
	exitPort        = 14
	exitUsage       = 64
	exitConfig      = 78
)

// exitMeanings is what the help says of each status.
var exitMeanings = []struct {
	status  int
	meaning string
}{
	{exitOK, "done"},
	{exitUnexpected, "unexpected error"},
	{exitBoard, "the board does not answer, or something else does"},
	{exitLedger, "the ledger is missing, newer, damaged, in use, or has no room"},
	{exitRefused, "the machine refuses the request in its present state"},
	{exitUnreachable, "the daemon cannot be reached"},
	{exitShort, "the lot ended without all ordered good parts"},
	{exitTable, "a table of measurements is missing or wrong"},
	{exitHot, "the heaters were not shown to be off: switch the machine off at the mains"},
	{exitJob, "a job file cannot be read, or must not run on this machine"},
	{exitPort, "a port is absent, in use, not a serial port, or not permitted"},
	{exitUsage, "the command line is wrong: command, argument or flag"},
	{exitConfig, "the configuration file is missing or wrong, or what it names cannot be used"},
}

// failure is an error with its exit status and what to do about it.
type failure struct {
	status  int
	err     error
	details []string // further lines, one mistake each
	hint    string
}

// Error implements error.
func (f *failure) Error() string { return f.err.Error() }

// Unwrap returns the cause.
func (f *failure) Unwrap() error { return f.err }

// usagef is a mistake on the command line.
func usagef(format string, a ...any) error {
	return &failure{status: exitUsage, err: fmt.Errorf(format, a...)}
}

// usageMany is several mistakes on one command line, reported at once.
func usageMany(what string, wrong []string) error {
	if len(wrong) == 1 {
		return usagef("cannot %s: %s", what, wrong[0])
	}
	return &failure{status: exitUsage, err: fmt.Errorf("cannot %s: %s", what, wording.Count(len(wrong), "mistake")), details: wrong}
}

// tell writes one clear message for an error and returns the exit status.
func tell(w io.Writer, err error) int {
	if err == nil {
		return exitOK
	}
	f := classify(err)
	first, rest, _ := strings.Cut(strings.TrimSpace(f.err.Error()), "\n")
	if rest != "" {
		f.details = append(strings.Split(rest, "\n"), f.details...)
	}
	_ = printLines(w, wording.Trouble(first, f.details, f.hint, style(w))) // there is nowhere else to say so
	return f.status
}

// pointed gives a mistake on the command line that names no remedy the help of its command.
func pointed(c *cobra.Command, err error) error {
	if f := new(failure); errors.As(err, &f) && f.status == exitUsage && f.hint == "" {
		f.hint = "see: " + c.CommandPath() + " --help"
	}
	return err
}

// classify gives an error its status. Errors that carry a remedy of their own
// have it in their text already.
func classify(err error) *failure {
	var (
		own      *failure
		mistakes config.Errors
		mistake  *config.Error
		refusal  *job.Refusal
		open     *serialio.OpenError
		refused  *supervisor.Refusal
		settings *app.SettingsError
	)
	switch {
	case errors.As(err, &own):
		return own
	case errors.As(err, &mistakes) && len(mistakes) > 0:
		return manyMistakes(mistakes)
	case errors.As(err, &mistake):
		return manyMistakes(config.Errors{mistake})
	case errors.Is(err, supervisor.ErrHot):
		return &failure{status: exitHot, err: err, hint: "switch the machine off at the mains, and look at it"}
	case errors.As(err, &settings):
		return &failure{status: exitConfig, err: err}
	case errors.As(err, &refusal):
		return jobRefused(refusal)
	case errors.As(err, &open):
		return &failure{status: exitPort, err: err, hint: open.Help()}
	case anyOf(err, serialio.ErrSilent, serialio.ErrDesync, serialio.ErrHalted, serialio.ErrReset, serialio.ErrRecount, serialio.ErrUnplugged):
		return &failure{status: exitBoard, err: err, hint: "check the board's power supply and cable, and machine.baud in the configuration"}
	case errors.As(err, &refused):
		return &failure{status: exitRefused, err: err, hint: refused.Help()}
	case anyOf(err, ledger.ErrNewer, ledger.ErrCorrupt, ledger.ErrFull, ledger.ErrLocked, ledger.ErrDisk):
		return &failure{status: exitLedger, err: err}
	case errors.Is(err, syscall.EADDRINUSE):
		return &failure{status: exitUnexpected, err: err, hint: "another program uses that address: end it, or choose another address (server.listen in the configuration, --listen of the demo)"}
	case errors.Is(err, job.ErrChanged):
		return &failure{status: exitJob, err: err, hint: "inspect the job again"}
	}
	if f := classifyRemote(err); f != nil {
		return f
	}
	return &failure{status: exitUnexpected, err: err}
}

func anyOf(err error, targets ...error) bool {
	for _, t := range targets {
		if errors.Is(err, t) {
			return true
		}
	}
	return false
}

// manyMistakes lists every mistake of a configuration file, each with its place.
func manyMistakes(mistakes config.Errors) *failure {
	if m := mistakes[0]; len(mistakes) == 1 && m.Line == 0 && m.Field == "" {
		return &failure{status: exitConfig, err: fmt.Errorf("cannot use configuration %s: %s", m.File, itself(m.Problem)), hint: m.Remedy}
	}
	f := &failure{status: exitConfig, err: fmt.Errorf("cannot use configuration %s: %s",
		mistakes[0].File, wording.Count(len(mistakes), "mistake")),
		hint: "correct the file, then try: beltwarden config check " + mistakes[0].File}
	for _, m := range mistakes {
		f.details = append(f.details, m.Error())
	}
	return f
}

// jobRefused lists every reason why a job cannot run.
func jobRefused(r *job.Refusal) *failure {
	if len(r.Problems) == 1 && r.Problems[0].Line == 0 {
		return &failure{status: exitJob, err: fmt.Errorf("cannot run job %s: %s", r.Path, itself(r.Problems[0].Text)), hint: r.Problems[0].Remedy}
	}
	return &failure{status: exitJob, err: fmt.Errorf("cannot run job %s: %s", r.Path, wording.Count(len(r.Problems), "problem")),
		details: strings.Split(r.Error(), "\n"), hint: "correct the job in the slicer, then try: beltwarden inspect " + r.Path}
}

// itself gives a problem that is said of a file its subject: "is a directory".
func itself(problem string) string {
	for _, verb := range []string{"is ", "does ", "has ", "cannot ", "holds "} {
		if strings.HasPrefix(problem, verb) {
			return "it " + problem
		}
	}
	return problem
}
