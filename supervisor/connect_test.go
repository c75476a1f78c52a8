package supervisor

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"

	"beltwarden/serialio"
	"beltwarden/supervisor/ledger"
)

// TestSlowPortIsOpenedOnce abandons an attempt that a driver delays. When that attempt ends after all,
// it must neither block the next one nor be mistaken for it.
func TestSlowPortIsOpenedOnce(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		l, err := ledger.Open(x.path, ledger.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		keep(t, l, ledger.StateChanged{State: Execute.String()}) // killed in the middle of something
		m, err := NewMachine(context.Background(), x.set, l, x.inspect, "test", time.Now())
		if err != nil {
			t.Fatal(err)
		}
		var openPorts, calls atomic.Int32
		open := func(ctx context.Context, set serialio.Settings) (serialio.Port, error) {
			n := calls.Add(1)
			time.Sleep(25 * time.Second)
			if n <= 2 {
				return nil, errors.New("not yet")
			}
			if openPorts.Load() > 0 {
				return nil, errors.New("the port is in use")
			}
			p, err := x.rig.Open(ctx, set)
			if err == nil {
				openPorts.Add(1)
			}
			return &countedPort{p, &openPorts}, err
		}
		x.s = New(m, l, open, zap.NewNop())
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error, 1)
		go func() { done <- x.s.Run(ctx) }()
		time.Sleep(10 * time.Minute)
		s := x.s.Snapshot()
		if s.State != Aborted || !s.Line.Connected || openPorts.Load() != 1 {
			t.Errorf("%s, connected %t (%s), %d ports open after %d attempts; want Aborted, true, 1", s.State, s.Line.Connected, s.Line.Problem, openPorts.Load(), calls.Load())
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if n := openPorts.Load(); n != 0 {
			t.Errorf("%d ports left open", n)
		}
	})
}

type countedPort struct {
	serialio.Port
	open *atomic.Int32
}

func (p *countedPort) Close() error {
	p.open.Add(-1)
	return p.Port.Close()
}
