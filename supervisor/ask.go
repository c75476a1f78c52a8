package supervisor

import (
	"context"
	"errors"
)

// call is a request on its way to the owner of the machine.
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

// Snapshot returns the newest picture of the run, which nobody may change.
func (s *Supervisor) Snapshot() *Snapshot {
	return s.snapshot.Load()
}

// Do carries out an operator's request. It returns once what the request changed
// is durable, or with the reason for which it was refused.
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

// Ping returns once the goroutine of Run has gone round, which shows that neither the state
// machine nor the connection hangs.
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

// Room tells the run how many bytes are left on the ledger's file system.
func (s *Supervisor) Room(ctx context.Context, freeBytes int64) error {
	select {
	case s.rooms <- freeBytes:
		return nil
	case <-s.ended:
		return ErrEnded
	case <-ctx.Done():
		return ctx.Err()
	}
}
