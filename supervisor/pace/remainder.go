package pace

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"beltwarden/supervisor/distribution"
)

// Remainder is the rest of a lot: what the machine still does, where it stops for people, and what
// is known of the yield and of how long people take to come.
type Remainder struct {
	Now         time.Time
	Attended    Hours
	Left        int           // parts to make, if all are good
	NotLookedAt int           // parts made that nobody has looked at
	Stops       int           // at which the machine waits for somebody before the last part
	Before      int           // parts to make before the last of the stops
	Takes       Interval      // until Left are made, without stops
	Each        time.Duration // a further part
	Held        bool          // the machine is at a stop now
	Waited      time.Duration // at that stop
	// Parameters of the beta distribution of the yield.
	Good, Scrap float64
	Waits       []time.Duration // for people, at earlier stops; nil leaves waiting out
}

const (
	// nightWait is a wait added to those observed: somebody leaves and comes back the next morning
	// (common practice, no source).
	nightWait = 12 * time.Hour
	draws     = 1000
	strata    = 50 // of the yield
	maxRounds = 20 // of replacing scrap
)

// Ready returns how long it takes until the ordered good parts are made, and the median number of
// parts made to replace scrap. It simulates the rest of the lot many times: the yield from its
// distribution, each wait like an observed one or one drawn before, so that few waits are not taken
// for all there can be (the Bayesian bootstrap of Rubin 1981, as an urn, smoothed by the rule of
// Silverman 1986; both from memory). The result is the same for the same remainder.
func (c *Remainder) Ready() (ready Interval, scrap int) {
	p := people{r: rand.New(rand.NewPCG(uint64(c.Left), uint64(c.NotLookedAt))), smoothing: smoothing(c.Waits), known: len(c.Waits)}
	if c.Waits != nil {
		p.urn = append(slices.Clone(c.Waits), nightWait)
		p.known++
	}
	var yields [strata]float64
	for i := range yields {
		yields[i] = distribution.BetaQuantile((float64(i)+0.5)/strata, c.Good, c.Scrap)
	}
	ends, scraps := make([]time.Duration, draws), make([]int, draws)
	for i := range draws {
		p.urn = p.urn[:p.known]
		ends[i], scraps[i] = c.simulate(&p, 1-yields[i%strata])
	}
	slices.Sort(ends)
	slices.Sort(scraps)
	at := func(q float64) time.Duration { return ends[int(q*draws)] }
	return Interval{at(0.02), at(0.5), at(0.98)}, scraps[draws/2] // a little wider than 95 %, for the sampling error and whole parts
}

// simulate draws one course of the rest of the lot: how long it takes, and how many parts are made
// to replace scrap. bad is the probability that a part is scrap.
func (c *Remainder) simulate(p *people, bad float64) (end time.Duration, scrap int) {
	var waits time.Duration
	if c.Held && p.known > 0 {
		waits += p.remaining(c.Waited)
	}
	for range c.Stops {
		waits += p.wait()
	}
	unlooked := c.Left + c.NotLookedAt
	found := binomial(p.r, c.NotLookedAt+c.Before, bad) // at the stops, and replaced before the end
	if c.Stops > 0 || c.Held {
		scrap, unlooked = found, c.Left-c.Before+found
	}
	for range maxRounds {
		s := binomial(p.r, unlooked, bad)
		if s == 0 {
			break
		}
		waits += p.wait()
		scrap, unlooked = scrap+s, s
	}
	z := p.r.NormFloat64()
	takes := float64(c.Takes.Median)
	if z < 0 {
		takes += z / 1.96 * float64(c.Takes.Median-c.Takes.Low)
	} else {
		takes += z / 1.96 * float64(c.Takes.High-c.Takes.Median)
	}
	machine := time.Duration(takes * (1 + float64(scrap)*float64(c.Each)/max(1, float64(c.Takes.Median))))
	return c.addUnattended(max(0, machine)+waits, p), scrap
}

// addUnattended converts attended time to elapsed time; each morning somebody must come first. If
// all hours are attended, both are equal.
func (c *Remainder) addUnattended(d time.Duration, p *people) time.Duration {
	h := c.Attended
	if h.Always() {
		return d
	}
	const most = 400
	gone := time.Duration(0)
	for range most {
		left := h.Left(c.Now.Add(gone))
		if left == 0 {
			gone += h.until(c.Now.Add(gone))
			d += min(p.wait(), h.length())
			continue
		}
		if d <= left {
			break
		}
		gone, d = gone+left, d-left
	}
	return gone + d
}

// people draws how long people take to come.
type people struct {
	r         *rand.Rand
	urn       []time.Duration // known waits, and those drawn since
	known     int             // number of known waits; 0: waiting is excluded
	smoothing float64
}

func (p *people) wait() time.Duration {
	if p.known == 0 {
		return 0
	}
	w := p.urn[p.r.IntN(len(p.urn))]
	p.urn = append(p.urn, w)
	return time.Duration(float64(w) * math.Exp(p.smoothing*p.r.NormFloat64()))
}

// remaining is how much longer a wait lasts that has lasted for waited.
func (p *people) remaining(waited time.Duration) time.Duration {
	for range 20 {
		if w := p.wait(); w > waited {
			return w - waited
		}
	}
	return waited // longer than all known ones: as long again
}

// smoothing is by how much, as a logarithm, drawn waits differ from observed ones.
func smoothing(waits []time.Duration) float64 {
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

// binomial draws from the binomial distribution.
func binomial(r *rand.Rand, n int, p float64) (k int) {
	const many = 100
	if n > many && float64(n)*p > 10 && float64(n)*(1-p) > 10 {
		return min(n, max(0, int(math.Round(float64(n)*p+math.Sqrt(float64(n)*p*(1-p))*r.NormFloat64()))))
	}
	if p <= 0 {
		return 0
	}
	// Gaps between successes are geometric.
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
