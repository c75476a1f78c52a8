package access

import (
	"context"
	"fmt"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// How wrong secrets are answered. The secrets are out of reach of guessing; this
// keeps the daemon's time and the operator's peace.
const (
	freeFailures  = 3                // wrong secrets of an address that cost it nothing
	mostFailures  = 10               // then it is turned away unheard
	forgiveEvery  = time.Minute      // takes one off
	slowest       = 4 * time.Second  // longest wait before a wrong secret is answered
	fullWait      = 8                // wrong secrets at which it is that long; one less halves it
	mostWaiting   = 16               // answers held back at one time
	mostAddresses = 4096             // that are remembered
	burstEnds     = 30 * time.Minute // without a wrong secret
)

// Burst is what the operator is told of wrong secrets, once until they have ceased
// for half an hour.
type Burst struct {
	From     netip.Addr // the first address that was turned away
	Failures int        // wrong secrets from it
}

// throttle remembers who gave wrong secrets.
type throttle struct {
	mu        sync.Mutex
	addresses map[netip.Prefix]*failures
	waiting   int
	last      time.Time // wrong secret of anybody
	told      bool      // of the burst that goes on
}

// failures are the wrong secrets of one address, one less for every while.
type failures struct {
	count int
	at    time.Time // of the last one, or when one was last forgiven
}

func newThrottle() *throttle { return &throttle{addresses: map[netip.Prefix]*failures{}} }

// group returns the addresses that one person can have at will.
func group(a netip.Addr) netip.Prefix {
	bits := 32
	if a.Is6() {
		bits = 64
	}
	p, err := a.Prefix(bits)
	if err != nil {
		return netip.Prefix{} // all that have none
	}
	return p
}

// forgive takes off what has been worked off by waiting.
func (f *failures) forgive(now time.Time) {
	if n := int(now.Sub(f.at) / forgiveEvery); n > 0 {
		f.count = max(0, f.count-n)
		f.at = f.at.Add(time.Duration(n) * forgiveEvery)
	}
}

// blocked returns how long an address is still turned away; 0 is not.
func (t *throttle) blocked(from netip.Addr) time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	f := t.addresses[group(from)]
	if f == nil {
		return 0
	}
	now := time.Now()
	if f.forgive(now); f.count < mostFailures {
		return 0
	}
	return f.at.Add(time.Duration(f.count-mostFailures+1) * forgiveEvery).Sub(now)
}

// failed notes a wrong secret. It returns how long its answer is to be held back,
// or that there is no room to hold it, and what the operator is to be told.
func (t *throttle) failed(from netip.Addr) (wait time.Duration, full bool, burst *Burst) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now, key := time.Now(), group(from)
	f := t.addresses[key]
	if f == nil {
		if len(t.addresses) >= mostAddresses {
			t.forget(now)
		}
		f = &failures{at: now}
		t.addresses[key] = f
	}
	f.forgive(now)
	f.count, f.at = f.count+1, now
	if now.Sub(t.last) > burstEnds {
		t.told = false
	}
	t.last = now
	if f.count >= mostFailures && !t.told {
		t.told, burst = true, &Burst{From: from, Failures: f.count}
	}
	if f.count <= freeFailures {
		return 0, false, burst
	}
	if t.waiting >= mostWaiting {
		return 0, true, burst
	}
	t.waiting++
	return slowest >> max(0, fullWait-f.count), false, burst
}

// forget makes room: those with nothing left go, or else the least of the others.
func (t *throttle) forget(now time.Time) {
	var least netip.Prefix
	fewest := 0
	for key, f := range t.addresses {
		if f.forgive(now); f.count == 0 {
			delete(t.addresses, key)
		} else if fewest == 0 || f.count < fewest {
			least, fewest = key, f.count
		}
	}
	if len(t.addresses) >= mostAddresses {
		delete(t.addresses, least)
	}
}

// hold waits, or until nobody listens any more.
func (t *throttle) hold(ctx context.Context, wait time.Duration) {
	if wait <= 0 {
		return
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
	t.mu.Lock()
	t.waiting--
	t.mu.Unlock()
}

// wrong notes a wrong secret and holds its answer back. It returns false when it has
// answered by itself.
func (g *Gate) wrong(w http.ResponseWriter, r *http.Request, from netip.Addr) bool {
	g.counts.add(refusedSecret)
	wait, full, burst := g.throttle.failed(from)
	if burst != nil && g.o.Tell != nil {
		g.o.Tell(*burst)
	}
	if full {
		g.later(w, r, slowest)
		return false
	}
	g.throttle.hold(r.Context(), wait)
	return true
}

// later turns away who has given too many wrong secrets.
func (g *Gate) later(w http.ResponseWriter, r *http.Request, wait time.Duration) {
	g.counts.add(refusedBlocked)
	s := int64((wait + time.Second - 1) / time.Second)
	w.Header().Set("Retry-After", fmt.Sprint(s))
	g.refuse(w, r, http.StatusTooManyRequests, "too many wrong secrets came from this address", fmt.Sprintf("try again in %d s, with the right one", s))
}
