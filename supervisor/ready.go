package supervisor

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"beltwarden/supervisor/distribution"
	"beltwarden/supervisor/quality"
)

// ReadyView is when the ordered good parts will have been made, with what the machine waits
// for people and what is made for scrap.
type ReadyView struct {
	At time.Time `json:"at"` // as likely sooner as later
	// Early and Late bound it with 95 % certainty, if people come and parts turn out as they
	// did so far.
	Early time.Time `json:"early"`
	Late  time.Time `json:"late"`
	// Unseen: no cycle was seen yet, and what heating and cooling take is a guess.
	Unseen bool `json:"unseen,omitempty"`
	Stops  int  `json:"stops"` // still to come, at which the machine waits for somebody; without those for scrap
	// Waits is at how many stops it is known how long somebody took to come, and Wait what half
	// of them took at most. With fewer than eight Waits is 0, and the times are those without waiting.
	Waits int           `json:"waits"`
	Wait  time.Duration `json:"wait_ns"`
	Scrap int           `json:"scrap"` // parts that are made for scrap, as likely more as fewer
	// Assumed: too few parts were looked at, and Yield is taken for granted.
	Assumed bool    `json:"assumed,omitempty"`
	Yield   float64 `json:"yield"`
}

const (
	leastWaits = 8
	mostWaits  = 50 // are remembered
	// nightWait is a wait that is thought of beside those that were seen: somebody leaves and
	// comes back the next morning (common practice, no source).
	nightWait  = 12 * time.Hour
	readyDraws = 1000
	readyEvery = time.Minute // it is reckoned anew, and when a count has changed
	mostRounds = 20
)

// course is the rest of a lot as it is foreseen.
type course struct {
	now      time.Time
	attended Span
	left     int              // parts to make, if all are good
	before   int              // of them before the last stop at which parts are looked at
	unlooked int              // made already
	stops    int              // at which it waits, until the last part
	takes    [3]time.Duration // of the parts to make, without stops: the 2.5, 50 and 97.5 % quantiles
	one      time.Duration    // of a further part
	held     bool             // it stands at a stop now
	waited   time.Duration    // at it
	good     float64          // what is known of the yield: a beta distribution
	scrap    float64
	waits    []time.Duration // those that were seen; nil leaves waiting out
}

// ready returns the quantiles of how long it is until the ordered good parts are made, and the
// median of the parts made for scrap. It plays the rest of the lot many times over: the yield
// by what is known of it, each wait about as long as one of those seen or one drawn before, so
// that few waits are not taken for all there can be (the Bayesian bootstrap of Rubin 1981, as
// an urn, smoothed by the rule of Silverman 1986; both from memory).
func (c *course) ready() (d [3]time.Duration, scrap int) {
	r := rand.New(rand.NewPCG(uint64(c.left), uint64(c.unlooked)))
	const strata = 50
	var yields [strata]float64
	for i := range yields {
		yields[i] = distribution.BetaQuantile((float64(i)+0.5)/strata, c.good, c.scrap)
	}
	ends, scraps := make([]float64, readyDraws), make([]int, readyDraws)
	blur := blurOf(c.waits)
	urn := append(slices.Clone(c.waits), nightWait)
	for i := range readyDraws {
		bad, known := 1-yields[i%strata], len(c.waits)+1
		urn = urn[:known]
		wait := func() time.Duration {
			if c.waits == nil {
				return 0
			}
			w := urn[r.IntN(len(urn))]
			urn = append(urn, w)
			return time.Duration(float64(w) * math.Exp(blur*r.NormFloat64()))
		}
		var waits time.Duration
		if c.held && c.waits != nil {
			waits += c.further(wait)
		}
		for range c.stops {
			waits += wait()
		}
		more := binomial(r, c.unlooked+c.before, bad) // found at the stops, and made before the end
		if c.stops == 0 && !c.held {
			more = 0
		}
		unlooked := c.left + c.unlooked
		if c.stops > 0 || c.held {
			unlooked = c.left - c.before + more
		}
		for round := 0; round < mostRounds; round++ {
			s := binomial(r, unlooked, bad)
			if s == 0 {
				break
			}
			waits += wait()
			more, unlooked = more+s, s
		}
		z := r.NormFloat64()
		takes := float64(c.takes[1]) + z/1.96*float64(c.takes[2]-c.takes[1])
		if z < 0 {
			takes = float64(c.takes[1]) + z/1.96*float64(c.takes[1]-c.takes[0])
		}
		machine := time.Duration(takes * (1 + float64(more)*float64(c.one)/max(1, float64(c.takes[1]))))
		scraps[i] = more
		ends[i] = float64(c.over(max(0, machine)+waits, wait))
	}
	slices.Sort(ends)
	slices.Sort(scraps)
	for i, q := range [...]float64{0.02, 0.5, 0.98} { // a little wider: it is drawn, and of whole parts
		d[i] = time.Duration(ends[int(q*readyDraws)])
	}
	return d, scraps[readyDraws/2]
}

// blurOf is by how much, as a logarithm, waits may differ from the nearest of those seen.
func blurOf(waits []time.Duration) float64 {
	n, mean, squares := 0.0, 0.0, 0.0
	for _, w := range waits {
		n++
		d := math.Log(max(w, time.Minute).Seconds()) - mean
		mean += d / n
		squares += d * d * (n - 1) / n
	}
	if n < 2 {
		return 0
	}
	return min(1, 0.9*math.Sqrt(squares/(n-1))*math.Pow(n, -0.2))
}

// further is how much longer a wait lasts that has lasted for a while.
func (c *course) further(wait func() time.Duration) time.Duration {
	for range 20 {
		if w := wait(); w > c.waited {
			return w - c.waited
		}
	}
	return c.waited // longer than all that are known: as long again
}

// over is how long it is until so much attended time has gone by; each morning somebody has to
// come. Where all hours are attended it is that time.
func (c *course) over(d time.Duration, wait func() time.Duration) time.Duration {
	h := c.attended
	if h.FromMin == h.ToMin {
		return d
	}
	const most = 400
	long := (time.Duration(h.ToMin-h.FromMin)*time.Minute + aDay) % aDay
	gone := time.Duration(0)
	for range most {
		left := h.left(c.now.Add(gone))
		if left == 0 {
			gone += h.until(c.now.Add(gone))
			d += min(wait(), long)
			continue
		}
		if d <= left {
			break
		}
		gone, d = gone+left, d-left
	}
	return gone + d
}

// until is how long it is until the span begins.
func (h Span) until(t time.Time) time.Duration {
	d := (time.Duration(h.FromMin)*time.Minute - ofDay(t) + aDay) % aDay
	return max(d, time.Second)
}

// binomial is how many of n come out, each with the probability p.
func binomial(r *rand.Rand, n int, p float64) (k int) {
	const many = 100
	if n > many && float64(n)*p > 10 && float64(n)*(1-p) > 10 {
		return min(n, max(0, int(math.Round(float64(n)*p+math.Sqrt(float64(n)*p*(1-p))*r.NormFloat64()))))
	}
	if p <= 0 {
		return 0
	}
	// From one that comes out to the next (geometric gaps).
	for at := 0; ; {
		if p < 1 {
			at += int(min(float64(n), math.Log(1-r.Float64())/math.Log1p(-p)))
		}
		if at++; at > n {
			return k
		}
		k++
	}
}

// readyKey is what a reckoning rests on.
type readyKey struct {
	left, stops, before, waits int
	cycles                     int // seen
	order                      quality.Order
	held                       bool
}

// ready is when the ordered parts are there, by the visits foreseen; nil where that cannot be said.
func (m *Machine) ready(list []NextVisit) *ReadyView {
	l, end := m.lot, list[len(list)-1]
	y := l.yieldPlan()
	if y == nil || end.Parts == 0 {
		return nil
	}
	c := course{now: m.now, attended: m.set.Attended, left: end.Parts, unlooked: int(l.yieldOf.Unverified), one: m.nextDuration(),
		takes: [3]time.Duration{end.Early.Sub(m.now), end.At.Sub(m.now), end.Late.Sub(m.now)}}
	if h := m.hold; h != nil && (m.state == Held || m.state == Suspended) {
		c.held, c.waited = true, m.now.Sub(m.since)
	}
	for _, v := range list[:len(list)-1] {
		if v.Reason != CauseUnattended && !(c.held && v.Parts == 0) {
			c.stops, c.before = c.stops+1, v.Parts
		}
	}
	if n := len(list) - 1; n == mostVisits { // more than are foreseen one by one
		c.stops = c.stops * (end.Parts - 1) / max(1, list[n-1].Parts)
		c.before = end.Parts - 1 - (end.Parts-1)%max(1, list[n-1].Parts/mostVisits)
	}
	key := readyKey{c.left, c.stops, c.before, len(m.waits), l.pace.n, l.yieldOf, c.held}
	if l.ready != nil && key == l.readyOf && m.now.Sub(l.readyAt) < readyEvery && !m.now.Before(l.readyAt) {
		return l.ready
	}
	v := &ReadyView{Unseen: end.Unseen, Stops: c.stops, Yield: y.Yield, Assumed: y.Assumed}
	if len(m.waits) >= leastWaits {
		sorted := slices.Clone(m.waits)
		slices.Sort(sorted)
		c.waits, v.Waits, v.Wait = m.waits, len(sorted), sorted[len(sorted)/2]
	}
	prior, seen := quality.DefaultPrior(), l.yieldOf
	if !y.Assumed {
		prior = quality.Prior{Good: 0.5, Scrap: 0.5}
	}
	c.good, c.scrap = prior.Good+float64(seen.Made-seen.Scrap-seen.Unverified), prior.Scrap+float64(seen.Scrap)
	d, scrap := c.ready()
	v.Early, v.At, v.Late, v.Scrap = m.now.Add(d[0]), m.now.Add(d[1]), m.now.Add(d[2]), scrap
	l.ready, l.readyOf, l.readyAt = v, key, m.now
	return v
}

// released is how a hold ends when somebody lets the machine go on.
var released = map[string]bool{strings.ToLower(Unhold.String()): true, strings.ToLower(Unsuspend.String()): true}

// wait remembers how long the machine stood until somebody let it go on, for a need that nothing but a visit ends.
func (m *Machine) wait(cause string, d time.Duration) {
	if n, ok := NeedOf(cause); !ok || n.Ends == EndsUnrecorded || d < 0 {
		return
	}
	if m.waits = append(m.waits, d); len(m.waits) > mostWaits {
		m.waits = slices.Delete(m.waits, 0, 1)
	}
}

// loadWaits takes up how long people took to come.
func (m *Machine) loadWaits(ctx context.Context, l Ledger) error {
	holds, err := l.Released(ctx, 4*mostWaits)
	if err != nil {
		return fmt.Errorf("cannot tell how long people took to come: %w", err)
	}
	for _, h := range holds {
		if h.Begun.Boot == h.Ended.Boot && released[h.How] {
			m.wait(h.Reason, h.Ended.SinceStart-h.Begun.SinceStart)
		}
	}
	return nil
}
