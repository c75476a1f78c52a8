package supervisor

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"beltwarden/serialio"
	"beltwarden/supervisor/ledger"
)

// Supervisor runs one machine. A single goroutine owns the state machine: it feeds it the events of
// board, operator and clock, commits its records and then carries out its effects.
type Supervisor struct {
	set     Settings
	ledger  Ledger
	open    serialio.Opener
	newConn func(serialio.Port, serialio.Options) connection
	log     *zap.Logger
	now     func() time.Time

	requests  chan call
	pings     chan chan error
	freeSpace chan int64 // measured free space on the ledger's disk, bytes
	snapshot  atomic.Pointer[Snapshot]
	ended     chan struct{}

	// Owned by the goroutine of Run.
	machine    *Machine
	track      tracker
	conn       connection
	events     <-chan serialio.Event
	pastStats  serialio.Stats // totals of earlier connections
	loggedHint string         // hint on a faster connection, as last logged
	opened     chan openResult
	attempt    uint64 // newest attempt to open the port; earlier ones were given up
	opening    bool   // that attempt is in progress
	// backlog holds records that the ledger could not store. The machine has already acted on them,
	// so they are stored before any later ones.
	backlog      []ledger.Record
	backlogTried time.Time // when they were last tried
	deferred     *call     // a request that is answered once the board has answered
}

// New returns a supervisor for a machine from [NewMachine].
func New(m *Machine, l Ledger, open serialio.Opener, log *zap.Logger) *Supervisor {
	s := &Supervisor{set: m.set, ledger: l, open: open, log: log, machine: m,
		requests: make(chan call), pings: make(chan chan error), freeSpace: make(chan int64), ended: make(chan struct{}), opened: make(chan openResult)}
	if s.now = m.set.Now; s.now == nil {
		s.now = time.Now
	}
	s.newConn = func(p serialio.Port, o serialio.Options) connection { return serialio.NewConn(p, o) }
	s.track.axis, s.track.forward = m.set.BeltAxis, m.set.Forward
	s.track.reset()
	s.snapshot.Store(m.Snapshot(s.now()))
	return s
}

// ErrHot: the process ends with heaters that may be on.
var ErrHot = errors.New("cannot show that the heaters are off: switch the machine off at the mains")

// panicFlush is how long the bytes sent on a panic may take to reach the wire.
const panicFlush = time.Second

// switchOffOnPanic switches the heaters off when the run panics, since nobody else would. The panic
// goes on.
func (s *Supervisor) switchOffOnPanic() {
	fault := recover()
	if fault == nil {
		return
	}
	if s.conn != nil {
		s.conn.Urgent([]byte("\nM112\n" + urgentOff))
		time.Sleep(panicFlush)
	}
	panic(fault)
}

// Run owns the machine until ctx ends. Then it makes the machine safe, within a bound, and closes
// the port. It returns an error if it could not.
func (s *Supervisor) Run(ctx context.Context) error {
	defer close(s.ended)
	defer s.switchOffOnPanic()
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	s.carryOut(ctx, s.machine.Begin(s.now()), nil)
	cancelled := ctx.Done()
	var bound <-chan time.Time
	for {
		if cancelled == nil && s.machine.Safe() {
			s.commitBacklog(0)
			s.close()
			if s.machine.MaybeHot() {
				return ErrHot
			}
			return nil
		}
		s.arm(timer)
		select {
		case <-cancelled:
			cancelled = nil
			limit := time.NewTimer(s.set.StopWithin)
			defer limit.Stop()
			bound = limit.C
			s.step(Shutdown{}, nil)
		case <-bound:
			s.close()
			return fmt.Errorf("%w within %s", ErrHot, s.set.StopWithin)
		case ev, ok := <-s.events:
			if !ok {
				s.events = nil
				continue
			}
			s.handleConnEvent(ev)
		case o := <-s.opened:
			s.portOpened(o)
		case p := <-s.pings:
			s.stats() // the connection must answer too
			p <- s.checkReachable()
		case free := <-s.freeSpace:
			s.step(FreeSpace{free}, nil)
		case c := <-s.requests:
			s.step(c.request, &c)
		case <-timer.C:
			s.step(Tick{}, nil)
		}
	}
}

// arm sets the timer to the machine's next deadline.
func (s *Supervisor) arm(timer *time.Timer) {
	wait := time.Hour
	if at, ok := s.machine.Deadline(); ok {
		wait = max(0, at.Sub(s.now()))
	}
	timer.Reset(wait)
}

// step passes one event to the machine, after the progress of the board so far.
func (s *Supervisor) step(ev Event, c *call) {
	now := s.now()
	s.machine.Step(now, Progressed{s.track.progress()})
	s.carryOut(context.Background(), s.machine.Step(now, ev), c)
}

// carryOut commits the records, then carries out the effects, then publishes a snapshot, then
// answers.
func (s *Supervisor) carryOut(ctx context.Context, out Output, c *call) {
	err := s.commit(ctx, out.Records)
	if err == nil {
		s.commitBacklog(backlogEvery)
	} else {
		s.log.Error("cannot keep records", zap.Error(err))
		kept, dropped := withoutIntents(out.Effects)
		safe := s.machine.Step(s.now(), LedgerFailed{err, dropped})
		if again := s.commit(ctx, safe.Records); again != nil {
			s.log.Error("cannot keep records of the fault", zap.Error(again))
		}
		more, _ := withoutIntents(safe.Effects)
		out.Effects = append(kept, more...)
		if safe.Settled != nil {
			out.Settled = safe.Settled
		} // otherwise the outcome of the step itself is answered, with the failure
	}
	for _, e := range out.Effects {
		s.effect(e)
	}
	shot := s.machine.Snapshot(s.now())
	shot.Line.Stats = s.stats()
	s.snapshot.Store(shot)
	if d := out.Settled; d != nil && s.deferred != nil {
		if err != nil && d.Refused == nil {
			d.Refused = err
		}
		s.deferred.answer <- answer{d.Result, d.Refused}
		s.deferred = nil
	}
	if c != nil {
		if err != nil {
			out.Refused = err
		}
		if out.Deferred && out.Refused == nil {
			s.deferred = c
			return
		}
		c.answer <- answer{out.Result, out.Refused}
	}
}

// withoutIntents leaves out the effects that rest on records, and returns the id of the program
// among them.
func withoutIntents(effects []Effect) (kept []Effect, dropped uint64) {
	for _, e := range effects {
		switch e := e.(type) {
		case intent:
			dropped = e.programID()
		default:
			kept = append(kept, e)
		}
	}
	return kept, dropped
}

// effect carries out one effect. Without a connection it is dropped: the loss is on its way as an
// event.
func (s *Supervisor) effect(e Effect) {
	switch e.(type) {
	case OpenLink:
		s.attempt++
		s.opening = true
		go s.openPort(s.attempt)
		return
	case CloseLink:
		s.attempt++
		s.opening = false
		s.close()
		return
	}
	if s.conn == nil {
		return
	}
	switch e := e.(type) {
	case RunProgram:
		s.stream(e.ID, e.Program)
	case RunSafe:
		s.stream(e.ID, Program{Before: e.Lines})
	case CancelProgram:
		s.conn.Cancel()
	case SendControl:
		s.track.followControl(e.Text)
		s.conn.SendControl(controlID, e.Text)
	case SendUrgent:
		s.conn.Urgent([]byte(e.Bytes))
	}
}

// stream starts a program on the connection.
func (s *Supervisor) stream(id uint64, p Program) {
	if err := s.conn.Run(id, &source{t: &s.track, program: p}); err != nil {
		s.log.Error("cannot run program", zap.Uint64("program", id), zap.Error(err))
	}
}

// backlogEvery is how often the ledger is tried again.
const backlogEvery = 30 * time.Second

// commitBacklog tries to store the backlog, unless it was tried recently. Another failure is not
// reported as a fault again.
func (s *Supervisor) commitBacklog(every time.Duration) {
	if len(s.backlog) == 0 || time.Since(s.backlogTried) < every {
		return
	}
	s.backlogTried = time.Now()
	ctx, cancel := context.WithTimeout(context.Background(), commitBound)
	defer cancel()
	if err := s.ledger.Commit(ctx, s.backlog...); err != nil {
		s.log.Warn("the ledger still accepts no records", zap.Int("owed", len(s.backlog)), zap.Error(err))
		return
	}
	s.backlog = nil
}

// commitBound is how long one transaction may take on a slow card.
const commitBound = 20 * time.Second

// commit stores records in one transaction, after the backlog, and logs them. Records that failed
// for lack of space or time join the backlog. Records that the ledger refuses as such are never
// tried again.
func (s *Supervisor) commit(ctx context.Context, records []ledger.Record) error {
	if len(records) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), commitBound)
	defer cancel()
	all := append(slices.Clone(s.backlog), records...)
	if err := s.ledger.Commit(ctx, all...); err != nil {
		if errors.Is(err, ledger.ErrIllegal) || errors.Is(err, ledger.ErrInvalid) || errors.Is(err, ledger.ErrTooMany) {
			return err
		}
		s.backlog, s.backlogTried = all, time.Now()
		return fmt.Errorf("%w; it takes effect anyway, and is recorded once the ledger accepts records again", err)
	}
	s.backlog = nil
	for _, r := range all {
		switch r := r.(type) {
		case ledger.StateChanged:
			s.log.Info("state", zap.String("state", r.State), zap.String("reason", r.Reason))
		case ledger.EventNoted:
			s.log.Info(r.Text, zap.String("kind", r.Kind))
		case ledger.CycleMade:
			s.log.Info("part made", zap.Int64("cycle", r.Seq), zap.String("evidence", r.Evidence))
		case ledger.CycleInterrupted:
			s.log.Warn("part interrupted", zap.Int64("cycle", r.Seq), zap.String("reason", r.Reason))
		}
	}
	return nil
}

// call is a request on its way to the goroutine of [Supervisor.Run].
type call struct {
	request Request
	answer  chan answer
}

type answer struct {
	result Result
	err    error
}

// ErrEnded: the supervisor has ended and takes no more requests.
var ErrEnded = errors.New("the run has ended")

// Snapshot returns the newest snapshot. It is read-only.
func (s *Supervisor) Snapshot() *Snapshot {
	return s.snapshot.Load()
}

// Do carries out an operator's request. It returns once the changes are durable, or with the reason
// for the refusal.
func (s *Supervisor) Do(ctx context.Context, r Request) (Result, error) {
	c := call{r, make(chan answer, 1)}
	select {
	case s.requests <- c:
	case <-s.ended:
		return Result{}, ErrEnded
	case <-ctx.Done():
		return Result{}, ctx.Err()
	}
	select {
	case a := <-c.answer:
		return a.result, a.err
	case <-s.ended:
		return Result{}, ErrEnded
	}
}

// Ping returns once the goroutine of Run has served it, which shows that neither the state machine
// nor the connection hangs.
func (s *Supervisor) Ping(ctx context.Context) error {
	p := make(chan error, 1)
	select {
	case s.pings <- p:
	case <-s.ended:
		return ErrEnded
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-p:
		return err
	case <-s.ended:
		return ErrEnded
	case <-ctx.Done():
		return ctx.Err()
	}
}

// ReportFreeSpace reports the free bytes on the ledger's file system.
func (s *Supervisor) ReportFreeSpace(ctx context.Context, freeBytes int64) error {
	select {
	case s.freeSpace <- freeBytes:
		return nil
	case <-s.ended:
		return ErrEnded
	case <-ctx.Done():
		return ctx.Err()
	}
}
