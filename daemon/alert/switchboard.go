package alert

import (
	"context"
	"crypto/rand"
	"errors"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// testKind is the kind of a message that only tries whether it arrives.
const testKind = "test"

// Receiver is where alerts go, with the level at which it is called.
type Receiver struct {
	Notifier
	Level int
}

// SwitchboardOptions are what a switchboard is made of.
type SwitchboardOptions struct {
	Outbox    Outbox
	Receivers []Receiver
	Words     Writer
	Policy    Policy // for every receiver; its Level is that of the receiver
	Retry     Retry
	Snapshot  func() *supervisor.Snapshot // nil: nobody reports a failing ledger
	StartID   string                      // makes identities differ from those of other starts
	Log       *zap.Logger
	// Now returns the time, with its monotonic part; nil is time.Now. Tests set the clock with it.
	Now func() time.Time
}

// Switchboard calls people: it has a worker for each receiver, and knows how they
// stand. Its methods may be used from any goroutine.
type Switchboard struct {
	o       SwitchboardOptions
	workers []*worker
	direct  []*Direct
}

// NewSwitchboard returns a switchboard; [Switchboard.Run] does the work.
func NewSwitchboard(o SwitchboardOptions) *Switchboard {
	if o.Now == nil {
		o.Now = time.Now
	}
	s := &Switchboard{o: o}
	for _, r := range o.Receivers {
		p := o.Policy
		p.Level = max(1, r.Level)
		w := newWorker(o.Outbox, r.Notifier, &s.o.Words, p, o.Retry, o.Log)
		w.now = o.Now
		s.workers = append(s.workers, w)
		if o.Snapshot != nil {
			d := NewDirect(o.Snapshot, r.Notifier, &s.o.Words, p.patience(), o.StartID, o.Retry, o.Log)
			d.now = o.Now
			s.direct = append(s.direct, d)
		}
	}
	return s
}

// keeper is a receiver that has work of its own beside messages.
type keeper interface {
	keep(ctx context.Context)
}

// Run delivers alerts until ctx ends, then lets the receivers go.
func (s *Switchboard) Run(ctx context.Context) {
	var all sync.WaitGroup
	for _, w := range s.workers {
		all.Go(func() { w.run(ctx) })
		if k, ok := w.to.(keeper); ok {
			all.Go(func() { k.keep(ctx) })
		}
	}
	for _, d := range s.direct {
		all.Go(func() { d.Run(ctx) })
	}
	all.Wait()
	for _, w := range s.workers {
		w.to.Close()
	}
}

// State is how one receiver stands.
type State struct {
	Name  string
	Kind  string // webhook, mail, service or alertmanager; "" for one that is no longer configured
	Level int    // 0 for one that is no longer configured
	// Pending are the alerts that should have been delivered by now; KeptBack those that
	// wait for quiet hours, for the bound on messages, or for others to act.
	Pending, KeptBack int
	Failing           int // pending ones with at least one failed attempt
	Delivered         int
	LastError         string        // of the newest failed attempt at what is pending
	LastDelivered     time.Time     // zero before the first
	Oldest            ledger.Stamp  // of the oldest one pending; Seq 0 where none is
	OldestAge         time.Duration // and how long ago that was
	Quiet             bool          // the quiet hours are now
	Limited           bool          // the bound on messages keeps some back
}

// Names are the receivers that are configured.
func (s *Switchboard) Names() (names []string) {
	for _, w := range s.workers {
		names = append(names, w.to.Name())
	}
	return names
}

// Receivers returns how every receiver stands, the configured ones first and in the
// order of the configuration, then those that once were.
func (s *Switchboard) Receivers(ctx context.Context) ([]State, error) {
	queue, err := s.o.Outbox.AlertQueue(ctx)
	if err != nil {
		return nil, err
	}
	now := s.o.Now()
	var list []State
	for _, w := range s.workers {
		one := State{Name: w.to.Name(), Kind: w.to.Kind(), Level: w.policy.Level, Quiet: w.policy.quietNow(now)}
		if i := slices.IndexFunc(queue, func(c ledger.Receiver) bool { return c.Name == one.Name }); i >= 0 {
			one.fill(queue[i])
			k := w.standing()
			one.KeptBack = min(k.total(), one.Pending)
			one.Pending -= one.KeptBack
			one.Limited = k.limit > 0
			one.Oldest = ledger.Stamp{}
			if one.Pending > 0 {
				one.Oldest = k.oldest
				if k.oldest.Seq == 0 { // not looked at yet
					one.Oldest = queue[i].Oldest
				}
				one.OldestAge = s.o.Outbox.Age(one.Oldest, now)
			}
		}
		list = append(list, one)
	}
	for _, c := range queue {
		if !slices.ContainsFunc(list, func(o State) bool { return o.Name == c.Name }) {
			one := State{Name: c.Name}
			one.fill(c)
			one.OldestAge = 0
			list = append(list, one)
		}
	}
	return list, nil
}

func (one *State) fill(c ledger.Receiver) {
	one.Pending, one.Failing, one.Delivered, one.LastError, one.Oldest = c.Pending, c.Failing, c.Delivered, c.LastError, c.Oldest
	one.LastDelivered = c.LastSent.At
}

// ErrNoReceiver: no receiver of that name is configured.
var ErrNoReceiver = errors.New("no receiver of alerts has that name")

// Test sends a message that only tries whether it arrives, now and beside the
// outbox. The error says why it did not.
func (s *Switchboard) Test(ctx context.Context, receiver string) error {
	for _, w := range s.workers {
		if w.to.Name() != receiver {
			continue
		}
		a := ledger.Alert{ID: "test-" + strings.ToLower(rand.Text()[:12]), Kind: testKind, Reason: testKind,
			Text: "this is a test: if you read it, you are called when the machine needs somebody", Stamp: ledger.Stamp{At: s.o.Now()}}
		return w.to.Notify(ctx, s.o.Words.Several(Call{Receiver: receiver, Now: s.o.Now()}, a))
	}
	return ErrNoReceiver
}
