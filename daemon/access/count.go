package access

import "sync/atomic"

// Why requests were turned away, the labels of a metric.
const (
	refusedUnknown = iota // without a secret
	refusedSecret         // with a wrong one
	refusedBlocked        // after too many wrong ones
	refusedRole           // may look and not operate
	refusedOrigin         // from a page of another site
	refusedHost           // by a name that is not ours, or through a proxy without a secret
	refusals
)

var refusalNames = [refusals]string{"no_secret", "wrong_secret", "too_many", "role", "origin", "host"}

// refusalCounts are how often something was refused.
type refusalCounts [refusals]atomic.Uint64

func (c *refusalCounts) add(why int) { c[why].Add(1) }

// Refused returns how many requests were turned away since the start, by reason.
// Every reason is there.
func (g *Gate) Refused() map[string]uint64 {
	out := make(map[string]uint64, refusals)
	for i, n := range refusalNames {
		out[n] = g.counts[i].Load()
	}
	return out
}

// Sessions returns how many browsers are signed in.
func (g *Gate) Sessions() int {
	g.sessions.mu.Lock()
	defer g.sessions.mu.Unlock()
	return len(g.sessions.byKey)
}
