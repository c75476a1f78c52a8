package alert

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/supervisor/ledger"
)

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
			t.Errorf("the operator sees %+v, %v", events, err)
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
