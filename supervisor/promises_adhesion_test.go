package supervisor

import (
	"context"
	"math"
	"math/rand/v2"
	"time"

	"beltwarden/supervisor/ledger"
)

// clinging is a surface and those who look at its parts.
type clinging struct {
	parts int
	cycle []time.Duration // of the jobs made on it in turn, one per lot
	off   float64         // parts that come off within the longest cycle, as a fraction
	shape float64         // of the Weibull distribution of the time: 1 for a constant rate, 3 for late
	told  float64         // fraction of those that come off that is reported with a time
	round time.Duration   // resolution of reported times
	days  float64         // fraction of days on which parts come off three times as often
}

// stays is the fraction of parts that stay for d.
func (c clinging) stays(d time.Duration) float64 {
	longest := c.cycle[len(c.cycle)-1]
	return math.Exp(math.Log1p(-c.off) * math.Pow(float64(d)/float64(longest), c.shape))
}

func (c clinging) lot(r *rand.Rand) (holds, told bool) {
	var list stays
	for _, cycle := range c.cycle {
		n := c.parts / len(c.cycle)
		s := ledger.Stay{Cycles: times(n, cycle)}
		worse := 1.0
		for i := range n {
			if c.days > 0 && i%10 == 0 {
				if worse = (1 - 3*c.days) / (1 - c.days); r.Float64() < c.days {
					worse = 3
				}
			}
			longest := c.cycle[len(c.cycle)-1]
			at := time.Duration(float64(longest) * math.Pow(math.Log1p(-r.Float64())/(worse*math.Log1p(-c.off)), 1/c.shape))
			if at > cycle {
				s.Good++
				continue
			}
			s.Detached++
			if r.Float64() < c.told {
				if c.round > 0 {
					at = max(time.Minute, at.Round(c.round))
				}
				s.After = append(s.After, at)
			}
		}
		list = append(list, s)
	}
	g, err := ReadAdhesion(context.Background(), list)
	if err != nil {
		panic(err)
	}
	return g.HoldsFor == 0 || c.stays(g.HoldsFor) >= holdProbability, g.HoldsFor > 0
}

func adhesionPromises() []promise {
	hour := []time.Duration{time.Hour}
	kind := func(name string, tells float64, c clinging) kindOfData {
		return kindOfData{name: name, lot: c.lot, tells: tells}
	}
	bad := kind("one day in ten sticks three times as badly", 0, clinging{100, hour, 0.06, 1, 1, 0, 0.1})
	bad.beyond = "(parts alike)"
	return []promise{{
		name: "for how long 95 of 100 parts stay", keeps: 0.95,
		says: []string{"95 of 100 parts stay", "for how long 95 of 100 stay", "to hold 95 of 100"},
		kinds: []kindOfData{
			kind("a quarter comes off, no time is told", 0, clinging{80, hour, 0.25, 1, 0, 0, 0}),
			kind("a little over 5 %, no time is told", 0, clinging{150, hour, 0.06, 1, 0, 0, 0}),
			kind("a little over 5 %, every time is told", 0.5, clinging{150, hour, 0.06, 1, 1, 0, 0}),
			kind("a little over 5 %, late, half the times are told", 0, clinging{150, hour, 0.06, 3, 0.5, 0, 0}),
			kind("few parts", 0, clinging{60, hour, 0.055, 1, 1, 0, 0}),
			kind("times told to ten minutes", 0, clinging{150, hour, 0.08, 3, 1, 10 * time.Minute, 0}),
			kind("jobs of 10, 30 and 60 minutes", 0.5, clinging{300, []time.Duration{10 * time.Minute, 30 * time.Minute, time.Hour}, 0.08, 1, 0.7, 0, 0}),
			kind("a good surface, no time is told", 0.9, clinging{400, hour, 0.01, 1, 0, 0, 0}),
			bad,
		},
	}}
}
