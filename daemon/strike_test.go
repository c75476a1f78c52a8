package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"

	"modernc.org/sqlite"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/serialio"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// Where a daemon strikes itself dead: at a commit of its run, or at a write to the port.
const (
	beforeCommit = "before a commit"
	inCommit     = "in a commit" // its statements are done, the file does not have them
	afterCommit  = "after a commit"
	beforeWrite  = "before a write"
	inWrite      = "in a write" // some of its bytes are out
	afterWrite   = "after a write"
)

// phase is a part of a daemon's life with a lot, as its records show it.
type phase string

const (
	atStart     phase = "at the start" // until it leaves the state in which it begins
	inRecovery  phase = "in recovery"  // from there to where a lot may go on
	whenIdle    phase = "when idle"
	inLeadIn    phase = "in the lead-in"
	inPart      phase = "in the part"
	atPartsEnd  phase = "at the part's end" // from the write of its last line to the record of it
	inDischarge phase = "in the discharge"
	inHold      phase = "in a hold"
	inUnhold    phase = "in the unhold"
	atLotsEnd   phase = "at the lot's end"
	inLot       phase = "in the lot" // any commit from the opening of a lot on
)

// phaseOf says what a recorded state stands for outside of parts.
var phaseOf = map[string]phase{
	"Aborting": inRecovery, "Aborted": inRecovery, "Clearing": inRecovery, "Stopping": inRecovery, "Stopped": inRecovery,
	"Resetting": whenIdle, "Idle": whenIdle, "Starting": inLeadIn, "Holding": inHold, "Held": inHold, "Unholding": inUnhold,
	"Completing": atLotsEnd, "Complete": atLotsEnd,
}

// endNumbered is the line of a body's end on the wire, by its number.
var endNumbered = regexp.MustCompile(`(?m)^N9\d{8} `)

// striker is the daemon's process in a test, which ends itself with SIGKILL at the n-th
// commit or write of a phase. A start or recovery that has fewer is struck at the next one.
type striker struct {
	kind string
	at   phase
	n    int
	note *os.File // receives where it struck, just before

	mu     sync.Mutex
	seen   int
	now    phase
	making phase // what is under way in Execute
	ending bool
	lots   int         // opened by this process
	commit atomic.Bool // the next commit of the database is the one,
	what   string      // of these records; set before commit is
}

// strikeVariable holds kind, phase, n and the path for the note, between bars.
const strikeVariable = "BELTWARDEN_TEST_STRIKE"

// serveStruck plays "beltwarden serve --config FILE" by the same steps, with the striker
// around the port and before the ledger.
func serveStruck() {
	parts := strings.Split(os.Getenv(strikeVariable), "|")
	s := &striker{kind: parts[0], at: phase(parts[1]), now: atStart, making: inPart}
	if _, err := fmt.Sscan(parts[2], &s.n); err != nil {
		panic(err)
	}
	var err error
	if s.note, err = os.OpenFile(parts[3], os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644); err != nil {
		panic(err)
	}
	sqlite.RegisterConnectionHook(func(conn sqlite.ExecQuerierContext, _ string) error {
		conn.(sqlite.HookRegisterer).RegisterCommitHook(func() int32 {
			if s.commit.Load() {
				s.strike(s.what)
			}
			return 0
		})
		return nil
	})
	ctx, stop := interruptible(context.Background())
	defer stop()
	signal.Ignore(syscall.SIGPIPE)
	cfg, err := config.Load(os.Args[1])
	if err == nil {
		var a *app.App
		a, err = app.New(ctx, app.Options{Config: cfg, Opener: s.open,
			Between: func(l supervisor.Ledger) supervisor.Ledger { return struckLedger{l, s} }})
		if err == nil {
			err = a.Run(ctx)
		}
	}
	os.Exit(tell(os.Stderr, err))
}

// strike ends the process here and now.
func (s *striker) strike(what string) {
	_, _ = fmt.Fprintf(s.note, "%s|%s|%d|%s\n", s.kind, s.now, s.seen, strings.Join(strings.Fields(what), " "))
	_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
	select {}
}

// due counts what is about to be done and tells whether it is the one. The caller holds mu.
func (s *striker) due() bool {
	switch {
	case s.at == s.now, s.at == inLot && s.lots > 0:
		s.seen++
		return s.seen >= s.n || s.lots > 1 && s.at == inLot // the lot had fewer
	case s.at == atStart, s.at == inRecovery && s.now != atStart:
		return true // the phase is over, and does not come again
	}
	return false
}

// follow notes what records say of the phase. While a commit is made the phase is still the
// one before it, but for the commit of a part's end.
func (s *striker) follow(records []ledger.Record) {
	for _, r := range records {
		switch r := r.(type) {
		case ledger.CycleBegun:
			s.making, s.ending = inPart, false
		case ledger.CycleMade:
			s.making, s.ending = inDischarge, false
		case ledger.CycleInterrupted:
			s.ending = false
		case ledger.StateChanged:
			if p := phaseOf[r.State]; s.now != atStart || p != inRecovery || r.State == "Clearing" {
				s.now = p
			}
		}
	}
	if s.now == "" || s.now == inPart || s.now == inDischarge || s.now == atPartsEnd {
		s.now = s.making
		if s.ending {
			s.now = atPartsEnd
		}
	}
}

// struckLedger is the run's ledger.
type struckLedger struct {
	supervisor.Ledger
	s *striker
}

func (l struckLedger) Commit(ctx context.Context, records ...ledger.Record) error {
	s := l.s
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, r := range records {
		if _, ok := r.(ledger.LotOpened); ok {
			s.lots++
		}
	}
	due := strings.HasSuffix(s.kind, " commit") && s.due()
	what := ""
	for _, r := range records {
		what += strings.TrimPrefix(fmt.Sprintf(" %T", r), " ledger.") + " "
	}
	switch {
	case due && s.kind == beforeCommit:
		s.strike(what)
	case due && s.kind == inCommit:
		s.what = what
		s.commit.Store(true)
	}
	err := l.Ledger.Commit(ctx, records...)
	if due {
		s.strike(what)
	}
	s.follow(records)
	return err
}

// struckPort is the port of the board.
type struckPort struct {
	serialio.Port
	s *striker
}

func (s *striker) open(ctx context.Context, set serialio.Settings) (serialio.Port, error) {
	p, err := serialio.OpenDevice(ctx, set)
	if err != nil {
		return nil, err
	}
	return struckPort{p, s}, nil
}

func (p struckPort) Write(b []byte) (int, error) {
	s := p.s
	s.mu.Lock()
	defer s.mu.Unlock()
	if endNumbered.Match(b) && s.now == inPart {
		s.ending, s.now = true, atPartsEnd
	}
	if !strings.HasSuffix(s.kind, " write") || !s.due() {
		return p.Port.Write(b)
	}
	switch s.kind {
	case inWrite:
		_, _ = p.Port.Write(b[:len(b)/2])
	case afterWrite:
		_, _ = p.Port.Write(b)
	}
	s.strike(string(b))
	return 0, nil
}
