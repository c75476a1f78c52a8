package alert

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor/ledger"
)

// receiver plays a webhook's other end in memory, so that virtual time passes.
type receiver struct {
	mu    sync.Mutex
	calls []call
	act   func(n int, r *http.Request) (status int, header http.Header, err error) // nth call from 0
}

type call struct {
	at   time.Time
	id   string
	took bool
}

func (f *receiver) RoundTrip(r *http.Request) (*http.Response, error) {
	f.mu.Lock()
	n := len(f.calls)
	f.calls = append(f.calls, call{time.Now(), r.Header.Get(AlertIDHeader), false})
	act := f.act
	f.mu.Unlock()
	status, header, err := 204, http.Header(nil), error(nil)
	if act != nil {
		status, header, err = act(n, r)
	}
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	f.calls[n].took = status/100 == 2
	f.mu.Unlock()
	w := httptest.NewRecorder()
	for k, v := range header {
		w.Header()[k] = v
	}
	w.WriteHeader(status)
	return w.Result(), nil
}

// taken lists the alerts that the receiver took, in order, repeats included.
func (f *receiver) taken() (ids []string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, c := range f.calls {
		if c.took {
			ids = append(ids, c.id)
		}
	}
	return ids
}

func (f *receiver) list() []call {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.calls)
}

func (f *receiver) set(act func(int, *http.Request) (int, http.Header, error)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.act = act
}

func answers(status int) func(int, *http.Request) (int, http.Header, error) {
	return func(int, *http.Request) (int, http.Header, error) { return status, nil, nil }
}

var errDown = errors.New("connection refused")

func down(int, *http.Request) (int, http.Header, error) { return 0, nil, errDown }

// slow answers when the caller has given up.
func slow(_ int, r *http.Request) (int, http.Header, error) {
	<-r.Context().Done()
	return 0, nil, r.Context().Err()
}

var testRetry = Retry{First: 5 * time.Second, Limit: 2 * time.Minute}

func openLedger(t *testing.T, path string) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func hook(t *testing.T, to http.RoundTripper) *Webhook {
	t.Helper()
	w, err := NewWebhook(WebhookOptions{URL: "https://alerts.example.org/clips?key=s3cret", Timeout: 3 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	w.client.Transport = to
	return w
}

// work runs a worker until the returned function is called.
func work(t *testing.T, o Outbox, f *receiver) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		newWorker(o, hook(t, f), &Writer{Machine: "clip press"}, Policy{}, testRetry, zap.NewNop()).run(ctx)
	}()
	return func() { cancel(); <-done }
}

func raise(t *testing.T, l *ledger.Ledger, n int) {
	t.Helper()
	a := ledger.Alert{ID: fmt.Sprintf("s-%d", n), Kind: "check_parts", State: "Held", Reason: "check_parts", Text: "come and look"}
	if err := l.Commit(t.Context(), ledger.AlertQueued{Alert: a}); err != nil {
		t.Fatal(err)
	}
}

func pending(t *testing.T, l *ledger.Ledger) ledger.Channel {
	t.Helper()
	all, err := l.AlertQueue(t.Context())
	if err != nil || len(all) != 1 {
		t.Fatalf("%d channels, %v", len(all), err)
	}
	return all[0]
}

func wants(t *testing.T, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Fatalf("the receiver took %v, want %v", got, want)
	}
}

func TestDeliversInOrderWithinThePoll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
		defer l.Close()
		f := new(receiver)
		defer work(t, l, f)()
		for n := range 5 {
			raise(t, l, n)
		}
		time.Sleep(pollEvery + time.Millisecond)
		synctest.Wait()
		wants(t, f.taken(), "s-0", "s-1", "s-2", "s-3", "s-4")
		if c := pending(t, l); c.Pending != 0 || c.Delivered != 5 {
			t.Errorf("the outbox says %+v", c)
		}
	})
}

// Each wait lies between a half and the whole of First doubled n times, and the
// polling adds at most its own period.
func TestBackoff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
		defer l.Close()
		f := &receiver{act: down}
		defer work(t, l, f)()
		raise(t, l, 1)
		time.Sleep(20 * time.Minute)
		calls := f.list()
		if len(calls) < 12 {
			t.Fatalf("%d tries in 20 minutes", len(calls))
		}
		for i := 1; i < len(calls); i++ {
			wait := calls[i].at.Sub(calls[i-1].at)
			whole := min(testRetry.First<<min(i-1, 20), testRetry.Limit)
			if wait < whole/2 || wait > whole+pollEvery {
				t.Errorf("wait %d is %s, want %s to %s", i, wait, whole/2, whole+pollEvery)
			}
		}
		if c := pending(t, l); c.Failing != 1 || c.LastError != "cannot reach the receiver: connection refused" {
			t.Errorf("the outbox says %+v", c)
		}
	})
}

func TestReceiverDownSlowBrokenThenBack(t *testing.T) {
	for name, act := range map[string]func(int, *http.Request) (int, http.Header, error){
		"down": down, "slow": slow, "500": answers(500), "429": answers(429), "408": answers(408),
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
				defer l.Close()
				f := &receiver{act: act}
				defer work(t, l, f)()
				raise(t, l, 1)
				raise(t, l, 2)
				time.Sleep(5 * time.Minute)
				for _, c := range f.list() {
					if c.id != "s-1" {
						t.Fatalf("alert %s was tried ahead of its turn", c.id)
					}
				}
				f.set(nil)
				time.Sleep(testRetry.Limit + pollEvery)
				wants(t, f.taken(), "s-1", "s-2")
			})
		})
	}
}

func TestANewAlertIsAReasonToTryAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
		defer l.Close()
		f := &receiver{act: down}
		defer work(t, l, f)()
		raise(t, l, 1)
		time.Sleep(10 * time.Minute) // waits are up to two minutes by now
		f.set(nil)
		raise(t, l, 2)
		time.Sleep(pollEvery + time.Millisecond)
		wants(t, f.taken(), "s-1", "s-2")
	})
}

func TestRestartInBetween(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "l.db")
		l := openLedger(t, path)
		f := &receiver{act: down}
		stop := work(t, l, f)
		raise(t, l, 1)
		time.Sleep(10 * time.Minute)
		raise(t, l, 2)
		stop()
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		l = openLedger(t, path)
		defer l.Close()
		f.set(nil)
		defer work(t, l, f)()
		time.Sleep(pollEvery + time.Millisecond)
		wants(t, f.taken(), "s-1", "s-2") // due at once, since the old clock is gone
	})
}

// A receiver that refuses one alert gets the next ones, and is asked about the
// first again, seldom.
func TestRefusedAlertDoesNotBlock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
		defer l.Close()
		f := &receiver{act: func(_ int, r *http.Request) (int, http.Header, error) {
			if r.Header.Get(AlertIDHeader) == "s-1" {
				return 422, nil, nil
			}
			return 200, nil, nil
		}}
		defer work(t, l, f)()
		raise(t, l, 1)
		raise(t, l, 2)
		time.Sleep(12 * time.Minute)
		wants(t, f.taken(), "s-2")
		tries := 0
		for _, c := range f.list() {
			if c.id == "s-1" {
				tries++
			}
		}
		if tries < 6 || tries > 13 { // every one to two minutes
			t.Errorf("the refused alert was tried %d times in 12 minutes", tries)
		}
		events, err := l.Events(t.Context(), 10, 0)
		if err != nil || len(events) != 1 || events[0].Kind != "alert" {
			t.Errorf("the operator is told %+v, %v", events, err)
		}
		f.set(nil)
		time.Sleep(testRetry.Limit + pollEvery)
		wants(t, f.taken(), "s-2", "s-1")
	})
}

func TestRetryAfterIsHonouredWithinTheLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
		defer l.Close()
		asks := []string{"60", "86400"}
		f := &receiver{act: func(n int, _ *http.Request) (int, http.Header, error) {
			if n < len(asks) {
				return 503, http.Header{"Retry-After": {asks[n]}}, nil
			}
			return 200, nil, nil
		}}
		defer work(t, l, f)()
		raise(t, l, 1)
		time.Sleep(10 * time.Minute)
		c := f.list()
		if len(c) != 3 {
			t.Fatalf("%d calls", len(c))
		}
		if wait := c[1].at.Sub(c[0].at); wait < time.Minute || wait > time.Minute+pollEvery {
			t.Errorf("waited %s, asked for 60 s", wait)
		}
		if wait := c[2].at.Sub(c[1].at); wait < testRetry.Limit || wait > testRetry.Limit+pollEvery {
			t.Errorf("waited %s, asked for a day, limit %s", wait, testRetry.Limit)
		}
	})
}

// flaky is an outbox that does not take records for a while.
type flaky struct {
	*ledger.Ledger
	full atomic.Bool
}

func (f *flaky) Commit(ctx context.Context, r ...ledger.Record) error {
	if f.full.Load() {
		return ledger.ErrFull
	}
	return f.Ledger.Commit(ctx, r...)
}

// A full disk must not turn one alert into a flood.
func TestDeliveredButNotRecorded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
		defer l.Close()
		raise(t, l, 1)
		o, f := &flaky{Ledger: l}, new(receiver)
		o.full.Store(true)
		defer work(t, o, f)()
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		wants(t, f.taken(), "s-1")
		o.full.Store(false)
		raise(t, l, 2)
		time.Sleep(time.Minute)
		wants(t, f.taken(), "s-1", "s-2")
		if c := pending(t, l); c.Pending != 0 {
			t.Errorf("the outbox says %+v", c)
		}
	})
}

// Whatever a receiver does and whenever the daemon restarts: every alert arrives,
// in order, and none twice that the receiver said to have taken.
func TestRandomReceiver(t *testing.T) {
	for seed := range uint64(6) {
		synctest.Test(t, func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 1))
			path := filepath.Join(t.TempDir(), "l.db")
			l := openLedger(t, path)
			f := new(receiver)
			moods := rand.New(rand.NewPCG(seed, 2)) // for the worker's goroutine alone
			f.act = func(_ int, r *http.Request) (int, http.Header, error) {
				switch moods.IntN(8) {
				case 0:
					return down(0, r)
				case 1:
					return slow(0, r)
				case 2:
					return 503, nil, nil
				case 3:
					return 0, nil, io.ErrUnexpectedEOF
				}
				return 200, nil, nil
			}
			stop := work(t, l, f)
			const alerts = 12
			for n := range alerts {
				raise(t, l, n)
				time.Sleep(time.Duration(rnd.Int64N(int64(time.Minute))))
				if rnd.IntN(4) == 0 {
					stop()
					if err := l.Close(); err != nil {
						t.Fatal(err)
					}
					l = openLedger(t, path)
					stop = work(t, l, f)
				}
			}
			time.Sleep(30 * time.Minute)
			stop()
			defer l.Close()
			var want []string
			for n := range alerts {
				want = append(want, fmt.Sprintf("s-%d", n))
			}
			if got := f.taken(); !slices.Equal(got, want) {
				t.Fatalf("seed %d: the receiver took %v", seed, got)
			}
			if c := pending(t, l); c.Pending != 0 || c.Delivered != alerts {
				t.Errorf("seed %d: the outbox says %+v", seed, c)
			}
		})
	}
}
