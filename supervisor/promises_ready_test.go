package supervisor

import (
	"math"
	"math/rand/v2"
	"time"

	"beltwarden/supervisor/pace"
	"beltwarden/supervisor/quality"
)

// ordering is a lot whose machine stops for checks. Somebody comes sooner or later, counts what was
// made, and has the scrap made again.
type ordering struct {
	ordered, done, looked int // parts: ordered, made so far, of them looked at
	every                 int // parts from stop to stop, 0 for none
	yield                 func(r *rand.Rand) float64
	waitMin, waitSD       float64 // median, and standard deviation of the logarithm
	nights                float64 // fraction of waits that last until the next morning
	seen                  int     // waits
}

func (o ordering) wait(r *rand.Rand) time.Duration {
	if r.Float64() < o.nights {
		return time.Duration((8 + 7*r.Float64()) * float64(time.Hour))
	}
	return time.Duration(o.waitMin * math.Exp(o.waitSD*r.NormFloat64()) * float64(time.Minute))
}

// lot simulates the rest of the lot part by part, and compares it with the forecast.
func (o ordering) lot(r *rand.Rand) (holds, told bool) {
	y := o.yield(r)
	bad := func() bool { return r.Float64() >= y }
	good, scrap := 0, 0
	for range o.looked {
		if bad() {
			scrap++
		} else {
			good++
		}
	}
	unlooked := o.done - o.looked
	counts := quality.Order{Good: int64(o.ordered), Made: int64(o.done), Scrap: int64(scrap), Unverified: int64(unlooked)}
	plan, err := quality.PlanFor(counts, quality.DefaultPrior(), 0.95)
	if err != nil {
		return true, false
	}
	const cycle = 30 * time.Minute
	c := pace.Remainder{Left: o.ordered - good - unlooked, NotLookedAt: unlooked, Each: cycle}
	known := counts.Posterior(quality.DefaultPrior(), plan.Assumed)
	c.Good, c.Scrap = known.Good, known.Scrap
	for at := o.every; o.every > 0 && at < c.Left; at += o.every {
		c.Stops, c.Before = c.Stops+1, at
	}
	for range o.seen {
		c.Waits = append(c.Waits, o.wait(r))
	}
	const doubt = 0.02
	takes := func(z float64) time.Duration { return time.Duration((1 + doubt*z) * float64(c.Left) * float64(cycle)) }
	c.Takes = pace.Interval{Low: takes(-1.96), Median: takes(0), High: takes(1.96)}
	d, _ := c.Ready()

	each := time.Duration((1 + doubt*r.NormFloat64()) * float64(cycle))
	var is time.Duration
	wanted, since := c.Left, 0
	for wanted > 0 {
		is += each
		wanted, unlooked, since = wanted-1, unlooked+1, since+1
		if wanted > 0 && since != o.every {
			continue
		}
		again := 0
		for range unlooked {
			if bad() {
				again++
			}
		}
		since, unlooked = 0, 0
		if wanted += again; wanted > 0 && o.seen > 0 {
			is += o.wait(r)
		}
	}
	return d.Low <= is && is <= d.High, true
}

func readyPromises() []promise {
	at := func(y float64) func(*rand.Rand) float64 { return func(*rand.Rand) float64 { return y } }
	p := promise{name: "when the ordered good parts are made", keeps: 0.94,
		says: []string{" with 95 % certainty"}}
	for _, k := range []struct {
		name string
		o    ordering
	}{
		{"no stops, nobody waited for, yield 0.9", ordering{40, 20, 20, 0, at(0.9), 0, 0, 0, 0}},
		{"stops, nobody waited for, yield 0.9", ordering{40, 20, 20, 8, at(0.9), 0, 0, 0, 0}},
		{"waits of a quarter of an hour, yield 0.95", ordering{40, 16, 16, 8, at(0.95), 15, 0.7, 0, 10}},
		{"waits of minutes to hours, yield 0.9", ordering{60, 20, 12, 8, at(0.9), 20, 1.3, 0, 20}},
		{"the same, eight of them known", ordering{60, 20, 12, 8, at(0.9), 20, 1.3, 0, minWaits}},
		{"one wait in ten over night, 10 known", ordering{60, 20, 20, 8, at(0.9), 15, 0.7, 0.1, 10}},
		{"one wait in five over night, 8 known", ordering{60, 20, 20, 8, at(0.9), 15, 0.7, 0.2, minWaits}},
		{"one wait in five over night, 50 known", ordering{60, 20, 20, 8, at(0.9), 15, 0.7, 0.2, 50}},
		{"yield 0.7, 20 looked at", ordering{60, 20, 20, 8, at(0.7), 15, 0.7, 0, 10}},
		{"many parts, yield 0.95", ordering{500, 100, 100, 50, at(0.95), 15, 0.7, 0.05, 30}},
		{"none looked at, yields about nine in ten", ordering{40, 8, 0, 8, nineInTen, 15, 0.7, 0, 10}},
	} {
		p.kinds = append(p.kinds, kindOfData{name: k.name, lot: k.o.lot, tells: 1})
	}
	p.kinds = append(p.kinds, kindOfData{name: "none looked at, yield 0.6", beyond: "(nine in ten)", lot: ordering{40, 8, 0, 8, at(0.6), 15, 0.7, 0, 10}.lot})
	return []promise{p}
}
