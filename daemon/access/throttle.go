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

// How wrong secrets from many addresses together are answered. Beyond the bound the
// secrets of strangers are turned away unheard, but for one now and then. Whoever has
// given a right one before goes on working.
const (
	mostTogether    = 200                    // wrong secrets
	forgiveTogether = 250 * time.Millisecond // takes one off
	mostProven      = 256                    // addresses that have given a right one
)

// Burst is what the operator is told of wrong secrets, once until they have ceased
// for half an hour.
type Burst struct {
	From     netip.Addr // the first address that was turned away; the zero Addr is many together
	Failures int        // wrong secrets from there
}

// throttle remembers who gave wrong secrets.
type throttle struct {
	mu        sync.Mutex
	addresses map[netip.Prefix]*failures
	proven    map[netip.Prefix]time.Time // when a right secret came from there last
	together  failures                   // of all addresses
	waiting   int
	last      time.Time // wrong secret of anybody
	told      bool      // of the burst that goes on
}

// failures are the wrong secrets of one address or of all, one less for every while.
type failures struct {
	count int
	at    time.Time // of the last one, or when one was last forgiven
}

func newThrottle() *throttle {
	return &throttle{addresses: map[netip.Prefix]*failures{}, proven: map[netip.Prefix]time.Time{}}
}

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
func (f *failures) forgive(now time.Time, every time.Duration) {
	if n := int(now.Sub(f.at) / every); n > 0 {
		f.count = max(0, f.count-n)
		f.at = f.at.Add(time.Duration(n) * every)
	}
}

// beyond returns how long it takes until there are fewer than most; 0 is that there are.
func (f *failures) beyond(now time.Time, most int, every time.Duration) time.Duration {
	if f.forgive(now, every); f.count < most {
		return 0
	}
	return f.at.Add(time.Duration(f.count-most+1) * every).Sub(now)
}

// blocked returns how long an address is still turned away; 0 is not.
func (t *throttle) blocked(from netip.Addr) time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	now, key := time.Now(), group(from)
	if f := t.addresses[key]; f != nil {
		if wait := f.beyond(now, mostFailures, forgiveEvery); wait > 0 {
			return wait
		}
	}
	if _, ok := t.proven[key]; ok {
		return 0
	}
	return t.together.beyond(now, mostTogether, forgiveTogether)
}

// right notes a right secret: others' wrong ones keep this address out no more.
func (t *throttle) right(from netip.Addr) {
	t.mu.Lock()
	defer t.mu.Unlock()
	key := group(from)
	if _, ok := t.proven[key]; !ok && len(t.proven) >= mostProven {
		var oldest netip.Prefix
		var at time.Time
		for k, v := range t.proven {
			if at.IsZero() || v.Before(at) {
				oldest, at = k, v
			}
		}
		delete(t.proven, oldest)
	}
	t.proven[key] = time.Now()
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
	f.forgive(now, forgiveEvery)
	f.count, f.at = f.count+1, now
	t.together.forgive(now, forgiveTogether)
	t.together.count, t.together.at = min(t.together.count+1, mostTogether), now
	if now.Sub(t.last) > burstEnds {
		t.told = false
	}
	t.last = now
	switch {
	case t.told:
	case f.count >= mostFailures:
		t.told, burst = true, &Burst{From: from, Failures: f.count}
	case t.together.count >= mostTogether:
		t.told, burst = true, &Burst{Failures: t.together.count}
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
		if f.forgive(now, forgiveEvery); f.count == 0 {
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
	g.refuse(w, r, http.StatusTooManyRequests, "too many wrong secrets have been sent", fmt.Sprintf("try again in %d s, with the right one", s))
}
