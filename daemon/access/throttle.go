package access

import (
	"context"
	"fmt"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// Bounds on wrong secrets from one place. The secrets are too long to be guessed; the bounds save
// the daemon's time and alerts.
const (
	freeFailures       = 3                // wrong secrets of an address that are answered at once
	maxFailures        = 10               // then its secrets are refused without being compared
	maxNetworkFailures = 40               // the same for an IPv6 network, of which one person has every address
	forgiveEvery       = time.Minute      // takes one off
	maxDelay           = 4 * time.Second  // longest wait before a wrong secret is answered
	maxDelayFailures   = 8                // wrong secrets at which it is that long; one less halves it
	maxWaiting         = 16               // answers held back at one time
	maxAddresses       = 4096             // that are remembered
	burstGap           = 30 * time.Minute // without a wrong secret
)

// Bounds on wrong secrets from all addresses together. Beyond them secrets from addresses that
// have not given a right one are refused without being compared, except for one now and then.
const (
	maxTotalFailures  = 200                    // wrong secrets
	forgiveTotalEvery = 250 * time.Millisecond // takes one off
)

// From an address that has lately given a right secret, secrets of that role and of lower ones are
// always compared, whatever others send from the same address or network. Such an address can guess
// without bound, so the secret must be hard to guess: at 5,000 guesses a second it takes seven years
// to try 2^40 secrets, the least strength that the daemon accepts. A right secret for Look proves
// nothing for Operate.
const (
	provenFor = 12 * time.Hour // since the last right secret
	maxProven = 256            // addresses of each role
)

// Burst describes wrong secrets to the operator, once until none has come for half an hour.
type Burst struct {
	From     netip.Addr // the first address that was turned away; the zero Addr is many together
	Failures int        // wrong secrets from there
}

// throttle counts wrong secrets.
type throttle struct {
	mu        sync.Mutex
	addresses map[netip.Prefix]*failures
	proven    [Operate + 1]map[netip.Addr]time.Time // by role, when a right secret came from there last
	total     failures                              // of all addresses
	waiting   int
	last      time.Time // wrong secret of anybody
	reported  bool      // the present burst is
}

// failures counts wrong secrets of one place or of all; one is forgiven after each interval.
type failures struct {
	count int
	at    time.Time // of the last one, or when one was last forgiven
}

func newThrottle() *throttle {
	return &throttle{addresses: map[netip.Prefix]*failures{}, proven: [Operate + 1]map[netip.Addr]time.Time{{}, {}, {}}}
}

// bound is how many wrong secrets may come from somewhere.
type bound struct {
	from netip.Prefix // the zero Prefix for an address that is none
	most int
}

// bounds returns those for an address: its own, and that of an IPv6 network, which one
// person can have whole, or share with a household.
func bounds(a netip.Addr) []bound {
	list := []bound{{netip.PrefixFrom(a, a.BitLen()), maxFailures}}
	if a.Is6() {
		network, _ := a.Prefix(64) // of an address that is one
		list = append(list, bound{network, maxNetworkFailures})
	}
	return list
}

// forgive takes one off for each interval that has passed.
func (f *failures) forgive(now time.Time, every time.Duration) {
	if n := int(now.Sub(f.at) / every); n > 0 {
		f.count = max(0, f.count-n)
		f.at = f.at.Add(time.Duration(n) * every)
	}
}

// blockedFor returns how long it takes until there are fewer than most; 0 if there are.
func (f *failures) blockedFor(now time.Time, most int, every time.Duration) time.Duration {
	if f.forgive(now, every); f.count < most {
		return 0
	}
	return f.at.Add(time.Duration(f.count-most+1) * every).Sub(now)
}

// allowed returns the highest role for which secrets from an address are compared now, None if
// none are, and how long it takes until all are.
func (t *throttle) allowed(from netip.Addr) (up Role, wait time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := time.Now()
	wait = t.total.blockedFor(now, maxTotalFailures, forgiveTotalEvery)
	for _, b := range bounds(from) {
		if f := t.addresses[b.from]; f != nil {
			wait = max(wait, f.blockedFor(now, b.most, forgiveEvery))
		}
	}
	if wait == 0 {
		return Operate, 0
	}
	for role, at := range t.proven {
		if last, ok := at[from]; ok && now.Sub(last) < provenFor {
			up = Role(role)
		}
	}
	return up, wait
}

// succeeded records a right secret, so that wrong ones of others no longer block its address.
func (t *throttle) succeeded(from netip.Addr, role Role) {
	t.mu.Lock()
	defer t.mu.Unlock()
	proven := t.proven[role]
	if _, ok := proven[from]; !ok && len(proven) >= maxProven {
		var oldest netip.Addr
		var at time.Time
		for k, v := range proven {
			if at.IsZero() || v.Before(at) {
				oldest, at = k, v
			}
		}
		delete(proven, oldest)
	}
	proven[from] = time.Now()
}

// failed records a wrong secret. It returns for how long to delay the answer, or that too many
// answers are delayed already, and what to tell the operator, if anything.
func (t *throttle) failed(from netip.Addr) (wait time.Duration, full bool, burst *Burst) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := time.Now()
	var count int // of the address itself
	var beyond *Burst
	for i, b := range bounds(from) {
		f := t.addresses[b.from]
		if f == nil {
			if len(t.addresses) >= maxAddresses {
				t.evict(now)
			}
			f = &failures{at: now}
			t.addresses[b.from] = f
		}
		f.forgive(now, forgiveEvery)
		if f.count, f.at = f.count+1, now; f.count >= b.most {
			beyond = &Burst{From: from, Failures: f.count}
		}
		if i == 0 {
			count = f.count
		}
	}
	t.total.forgive(now, forgiveTotalEvery)
	t.total.count, t.total.at = min(t.total.count+1, maxTotalFailures), now
	if now.Sub(t.last) > burstGap {
		t.reported = false
	}
	t.last = now
	switch {
	case t.reported:
	case beyond != nil:
		t.reported, burst = true, beyond
	case t.total.count >= maxTotalFailures:
		t.reported, burst = true, &Burst{Failures: t.total.count}
	}
	if count <= freeFailures {
		return 0, false, burst
	}
	if t.waiting >= maxWaiting {
		return 0, true, burst
	}
	t.waiting++
	return maxDelay >> max(0, maxDelayFailures-count), false, burst
}

// evict removes addresses without failures, or else the one with the fewest.
func (t *throttle) evict(now time.Time) {
	var least netip.Prefix
	fewest := 0
	for key, f := range t.addresses {
		if f.forgive(now, forgiveEvery); f.count == 0 {
			delete(t.addresses, key)
		} else if fewest == 0 || f.count < fewest {
			least, fewest = key, f.count
		}
	}
	if len(t.addresses) >= maxAddresses {
		delete(t.addresses, least)
	}
}

// delay waits, at most until the request is cancelled.
func (t *throttle) delay(ctx context.Context, wait time.Duration) {
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

// checkSecret returns the role that a secret gives: None for a wrong one, and while secrets from
// there are refused. answered says whether the request has been answered.
func (g *Gate) checkSecret(w http.ResponseWriter, r *http.Request, text string) (role Role, answered bool) {
	from := g.sender(r)
	up, wait := g.throttle.allowed(from)
	if up != None {
		role = g.roleOfSecret(text)
	}
	switch {
	case role != None && role <= up:
		g.throttle.succeeded(from, role)
		return role, false
	case wait > 0: // the answer does not show whether the secret was compared
		g.refuseBlocked(w, r, wait)
		return None, true
	}
	return None, !g.recordWrong(w, r, from)
}

// recordWrong records a wrong secret and delays its answer. It returns false if it has answered
// the request.
func (g *Gate) recordWrong(w http.ResponseWriter, r *http.Request, from netip.Addr) bool {
	g.counts.add(refusedSecret)
	wait, full, burst := g.throttle.failed(from)
	if burst != nil && g.o.OnBurst != nil {
		g.o.OnBurst(*burst)
	}
	if full {
		g.refuseBlocked(w, r, maxDelay)
		return false
	}
	g.throttle.delay(r.Context(), wait)
	return true
}

// refuseBlocked answers while secrets are refused.
func (g *Gate) refuseBlocked(w http.ResponseWriter, r *http.Request, wait time.Duration) {
	g.counts.add(refusedBlocked)
	s := int64((wait + time.Second - 1) / time.Second)
	w.Header().Set("Retry-After", fmt.Sprint(s))
	g.refuse(w, r, http.StatusTooManyRequests, "too many failed sign-in attempts", fmt.Sprintf("try again in %d s, with the right secret", s))
}
