package supervisor

import (
	"fmt"
	"math"
	"math/rand/v2"

	"beltwarden/supervisor/belt"
)

// trialPromises concern the rate from one run of the belt, read before and after.
func trialPromises() []promise {
	p := promise{name: "the rate that a trial shows, by the error of reading", keeps: 0.95, says: []string{"by the error of reading (95 %%)"}}
	for _, k := range []struct{ errorMM, stepMM, metres float64 }{{0.1, 0.1, 5}, {0.1, 0.5, 10}, {0.2, 0.1, 10}, {0.2, 0.5, 10}} {
		p.kinds = append(p.kinds, kindOfData{name: fmt.Sprintf("%g m, read to %g mm, error %g mm", k.metres, k.stepMM, k.errorMM), tells: 1, lot: func(r *rand.Rand) (holds, told bool) {
			rate, at := 0.2*r.NormFloat64(), r.Float64()
			read := func(mm float64) float64 { return k.stepMM * math.Round((mm+k.errorMM*r.NormFloat64())/k.stepMM) }
			mm := 1000 * k.metres
			v := belt.Outlook{LimitMM: 3, WorstMMPerM: 0.5}.Judge(belt.Reading{OffsetMM: read(at)},
				belt.Reading{TravelMM: mm, AdvanceMM: mm, OffsetMM: read(at + rate*k.metres)}, 0, 0)
			return v.Rate95[0] <= rate && rate <= v.Rate95[1], true
		}})
	}
	return []promise{p}
}
