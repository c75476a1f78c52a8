package supervisor

import (
	"context"
	"errors"
	"time"

	"go.uber.org/zap"

	"beltwarden/serialio"
)

// connection is the part of [serialio.Conn] that the run uses.
type connection interface {
	Run(id uint64, src serialio.Source) error
	SendControl(id uint64, text string)
	Cancel()
	Urgent(b []byte)
	Events() <-chan serialio.Event
	Stats() serialio.Stats
	Close() error
}

// openResult is the outcome of an attempt to open the port.
type openResult struct {
	attempt uint64
	port    serialio.Port
	err     error
}

// openBound is how long opening a port may take.
const openBound = 30 * time.Second

// openPort opens the port in a goroutine of its own, because a driver may stall.
func (s *Supervisor) openPort(attempt uint64) {
	ctx, cancel := context.WithTimeout(context.Background(), openBound)
	defer cancel()
	port, err := s.open(ctx, s.set.Port)
	select {
	case s.opened <- openResult{attempt, port, err}:
	case <-s.ended:
		if port != nil {
			port.Close()
		}
	}
}

// portOpened starts a connection, or reports the failure to the machine. It discards the result of
// an attempt that was given up in the meantime.
func (s *Supervisor) portOpened(o openResult) {
	if o.attempt != s.attempt {
		if o.port != nil {
			go o.port.Close() // a driver that stalled once may do so again
		}
		return
	}
	s.opening = false
	if o.err != nil {
		s.step(LinkFailed{o.err}, nil)
		return
	}
	s.close()
	s.conn = s.newConn(o.port, s.set.Conn)
	s.events = s.conn.Events()
}

// controlID is the id of control lines, whose end nobody waits for. Programs are numbered from 1.
const controlID = 0

// handleConnEvent translates an event of the connection into one of the machine.
func (s *Supervisor) handleConnEvent(ev serialio.Event) {
	if ev.Kind != serialio.EventSynced && ev.Kind != serialio.EventReport && ev.Kind != serialio.EventLost && ev.ID == controlID {
		return
	}
	switch ev.Kind {
	case serialio.EventSynced:
		if hint := s.conn.Stats().Hint; hint != s.loggedHint {
			s.loggedHint = hint
			s.log.Info("the connection could be faster", zap.String("hint", hint))
		}
		s.step(LinkSynced{LastNumber: ev.LastNumber, Reset: ev.Reset}, nil)
	case serialio.EventDone:
		s.step(ProgramDone{ev.ID}, nil)
	case serialio.EventCancelled:
		s.step(ProgramCancelled{ev.ID}, nil)
	case serialio.EventFailed:
		s.step(ProgramFailed{ev.ID, ev.Err}, nil)
	case serialio.EventReport:
		s.step(Reported{ev.Reply}, nil)
	case serialio.EventLost:
		s.step(LinkLost{ev.Err}, nil)
	}
}

// checkReachable returns an error if machine and connection disagree: the machine would wait
// forever for a port that nobody opens, or hold one that nobody uses.
func (s *Supervisor) checkReachable() error {
	phase := s.machine.link.phase
	switch {
	case phase == linkDown && s.conn != nil:
		return errors.New("cannot reach the machine: this process holds its port but has given up the connection")
	case phase == linkUp && s.conn == nil:
		return errors.New("cannot reach the machine: its connection is closed")
	case phase == linkOpening && s.conn == nil && !s.opening:
		return errors.New("cannot reach the machine: nothing opens its port")
	}
	return nil
}

// close closes the connection, if there is one, and resets the tracked state of the board.
func (s *Supervisor) close() {
	if s.conn == nil {
		return
	}
	if err := s.conn.Close(); err != nil {
		s.log.Warn("cannot close the port", zap.Error(err))
	}
	s.pastStats = s.stats()
	s.pastStats.UnansweredBytes = 0
	s.conn, s.events = nil, nil
	s.track.reset()
}

// stats returns totals over all connections of this process.
func (s *Supervisor) stats() serialio.Stats {
	if s.conn == nil {
		return s.pastStats
	}
	now := s.conn.Stats()
	now.LinesSent += s.pastStats.LinesSent
	now.LinesAccepted += s.pastStats.LinesAccepted
	now.BytesSent += s.pastStats.BytesSent
	now.BytesReceived += s.pastStats.BytesReceived
	now.Resends += s.pastStats.Resends
	now.Timeouts += s.pastStats.Timeouts
	now.Garbled += s.pastStats.Garbled
	now.RoundTrips.Add(s.pastStats.RoundTrips)
	return now
}
