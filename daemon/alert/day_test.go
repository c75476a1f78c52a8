package alert

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// phone is a receiver that keeps what it was sent, while it is on.
type phone struct {
	name string
	mu   sync.Mutex
	off  bool
	got  []*Message
	at   []time.Time
}

func (p *phone) Name() string { return p.name }
func (p *phone) Kind() string { return "service" }
func (p *phone) Close()       {}

func (p *phone) Notify(_ context.Context, m *Message) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.off {
		return errors.New("cannot reach the service: connection refused")
	}
	p.got, p.at = append(p.got, m), append(p.at, time.Now())
	return nil
}

func (p *phone) turn(off bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.off = off
}

// sent lists the alerts that it was sent, collected ones included.
func (p *phone) sent() (list []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, m := range p.got {
		if m.Parts != nil {
			list = append(list, m.Parts...)
		} else {
			list = append(list, m.ID)
		}
	}
	return list
}

// calls runs a switchboard on a ledger until the returned function is called.
func calls(t *testing.T, l *ledger.Ledger, p Policy, to ...Receiver) (s *Switchboard, stop func()) {
	t.Helper()
	s = NewSwitchboard(SwitchboardOptions{Outbox: l, Receivers: to, Words: Writer{Machine: "clip press", VisitURL: "https://belt.workshop.example/visit"},
		Policy: p, Retry: Retry{First: 5 * time.Second, Limit: time.Hour}, StartID: "s", Log: zap.NewNop()})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); s.Run(ctx) }()
	return s, func() { cancel(); <-done }
}

func queue(t *testing.T, l *ledger.Ledger, id, kind, state string) {
	t.Helper()
	payload := fmt.Appendf(nil, `{"machine":"clip press","advice":"go on with: beltwarden unhold","lot":{"id":3,"name":"clips","made":21,"good":12,"unverified":8,"scrap":1,"ordered":40}}`)
	if err := l.Commit(context.Background(), ledger.AlertQueued{Alert: ledger.Alert{ID: id, Kind: kind, State: state, Reason: kind, Text: "come and look", Payload: payload}}); err != nil {
		t.Fatal(err)
	}
}

// TestADayWithoutNetwork: nothing is lost, a sign stays on the board, and whoever comes
// back finds few messages and not a hundred. The daemon starts again in the middle of it. It is a working day: each hour of
// it is 1800 looks into the ledger; under the race detector it has a quarter of the hours.
func TestADayWithoutNetwork(t *testing.T) {
	half := 48
	if underRace || testing.Short() {
		half = 12
	}
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "l.db")
		l := openLedger(t, path)
		p := &phone{name: "phone"}
		policy := Policy{PerHour: 6, Stale: time.Hour, EscalateAfter: 15 * time.Minute}
		s, stop := calls(t, l, policy, Receiver{p, 1})
		time.Sleep(10 * time.Second)
		p.turn(true)
		var want []string
		raise := func(n int) {
			kind, state := supervisor.CauseCheckParts, "Held"
			if n%5 == 0 {
				kind, state = supervisor.CauseLink, "Aborted"
			}
			id := fmt.Sprintf("d-%03d", n)
			want = append(want, id)
			queue(t, l, id, kind, state)
		}
		for n := range half {
			raise(n)
			time.Sleep(5 * time.Minute)
		}
		list, err := s.Receivers(t.Context())
		if err != nil || list[0].Pending != half || list[0].Failing == 0 || !strings.Contains(list[0].LastError, "cannot reach the service") {
			t.Errorf("half way: %+v, %v", list, err)
		}
		stop()
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		l = openLedger(t, path)
		s, stop = calls(t, l, policy, Receiver{p, 1})
		for n := half; n < 2*half; n++ {
			raise(n)
			time.Sleep(5 * time.Minute)
		}
		p.turn(false)
		back := time.Now()
		time.Sleep(2 * time.Hour)
		got := p.sent()
		slices.Sort(got)
		if !slices.Equal(got, want) {
			t.Errorf("%d of %d alerts were sent: %v", len(got), len(want), got)
		}
		if n := len(p.got); n > 10 {
			t.Errorf("%d messages came at once", n)
		}
		if first := p.at[0].Sub(back); first > time.Hour {
			t.Errorf("the first came %s after the network", first)
		}
		if m := p.got[0]; !strings.Contains(m.Subject, "alerts since") || !strings.Contains(m.Text, "21 made: 12 good, 8 not looked at, 1 scrap; 40 ordered") ||
			!strings.Contains(m.Text, "https://belt.workshop.example/visit") {
			t.Errorf("the message: %s", m.Text)
		}
		if list, err := s.Receivers(t.Context()); err != nil || list[0].Failing != 0 || list[0].Pending != 0 || list[0].Delivered != 2*half {
			t.Errorf("afterwards: %+v, %v", list, err)
		}
		stop()
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestSomebodyElseIsCalled when nobody acts, and not when somebody does.
func TestSomebodyElseIsCalled(t *testing.T) {
	for _, acts := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
			defer l.Close()
			near, far := &phone{name: "near"}, &phone{name: "far"}
			s, stop := calls(t, l, Policy{EscalateAfter: 15 * time.Minute}, Receiver{near, 1}, Receiver{far, 2})
			defer stop()
			time.Sleep(5 * time.Second)
			queue(t, l, "h-1", supervisor.CauseCheckParts, "Held")
			queue(t, l, "v-1", supervisor.CauseVisit, "Execute")
			time.Sleep(14 * time.Minute)
			if len(far.sent()) != 0 || len(near.sent()) != 2 {
				t.Errorf("after 14 min: near %v, far %v", near.sent(), far.sent())
			}
			list, err := s.Receivers(t.Context())
			if err != nil || list[1].KeptBack != 1 || list[0].Failing != 0 || list[1].Pending != 0 || list[1].Failing != 0 {
				t.Errorf("%+v %v", list, err)
			}
			if acts {
				if err := l.Commit(context.Background(), ledger.Responded{What: "acknowledged", By: "Ada"}); err != nil {
					t.Fatal(err)
				}
			}
			time.Sleep(5 * time.Minute)
			want := map[bool]int{false: 1, true: 0}[acts]
			if got := far.sent(); len(got) != want {
				t.Errorf("somebody acts %v, and the other got %v", acts, got)
			}
			if !acts && !strings.HasPrefix(far.got[0].Text, "Nobody has acted on this for 15 min, so you are called too.") {
				t.Errorf("%s", far.got[0].Text)
			}
		})
	}
}

// TestManyAlertsInAnHour are sent in few messages.
func TestManyAlertsInAnHour(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
		defer l.Close()
		p := &phone{name: "phone"}
		_, stop := calls(t, l, Policy{PerHour: 5}, Receiver{p, 1})
		defer stop()
		time.Sleep(5 * time.Second)
		for n := range 120 {
			queue(t, l, fmt.Sprintf("h-%d", n), supervisor.CauseCheckParts, "Held")
			time.Sleep(30 * time.Second)
		}
		time.Sleep(2 * time.Hour)
		if n := len(p.sent()); n != 120 {
			t.Errorf("%d of 120 alerts were sent", n)
		}
		for i, at := range p.at {
			in := 0
			for _, other := range p.at[i:] {
				if other.Sub(at) < time.Hour {
					in++
				}
			}
			if in > 5 {
				t.Fatalf("%d messages in the hour from message %d", in, i)
			}
		}
	})
}
