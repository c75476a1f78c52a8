package supervisor

import (
	"fmt"
	"math/rand/v2"

	"beltwarden/supervisor/quality"
)

// ordered is an order for good parts while its yield is being learned.
type ordered struct {
	good, looked int64
	yield        func(r *rand.Rand) float64
	assumed      bool // whether the statement is conditional on the prior, in all lots
}

func (o ordered) lot(r *rand.Rand) (holds, told bool) {
	y := o.yield(r)
	n := quality.Order{Good: o.good, Made: o.looked}
	for range o.looked {
		if r.Float64() >= y {
			n.Scrap++
		}
	}
	p, err := quality.PlanFor(n, quality.DefaultPrior(), 0.95)
	if err != nil || p.Assumed != o.assumed {
		return true, false
	}
	good := p.GoodSoFar
	for range p.Cycles {
		if r.Float64() < y {
			good++
		}
	}
	return good >= o.good, true
}

// seen reports whether the interval of the yield of parts looked at contains the true yield.
func (o ordered) seen(r *rand.Rand) (holds, told bool) {
	y := o.yield(r)
	k := int64(0)
	for range o.looked {
		if r.Float64() < y {
			k++
		}
	}
	i, err := quality.Wilson(k, o.looked, 0.95)
	if err != nil {
		panic(err)
	}
	return i.Low <= y && y <= i.High, true
}

// nineInTen are yields of about nine in ten: Beta(9, 1).
func nineInTen(r *rand.Rand) float64 {
	best := 0.0
	for range 9 {
		best = max(best, r.Float64())
	}
	return best
}

func yieldPromises() []promise {
	at := func(y float64) func(*rand.Rand) float64 { return func(*rand.Rand) float64 { return y } }
	plan := promise{name: "so many more parts are enough for the order", keeps: 0.95,
		says: []string{"certainty they are enough", "%% that they are enough", "Cycles still to begin", "Cycles to begin so that"}}
	for _, k := range []struct {
		name string
		o    ordered
	}{
		{"none looked at, yields about nine in ten", ordered{40, 0, nineInTen, true}},
		{"5 looked at, yields about nine in ten", ordered{40, 5, nineInTen, true}},
		{"10 looked at, yield 0.95", ordered{40, 10, at(0.95), false}},
		{"10 looked at, yield 0.9", ordered{40, 10, at(0.9), false}},
		{"10 looked at, yield 0.7", ordered{40, 10, at(0.7), false}},
		{"20 looked at, yield 0.8", ordered{100, 20, at(0.8), false}},
		{"20 looked at, yield 0.5", ordered{100, 20, at(0.5), false}},
		{"60 looked at, yield 0.9", ordered{500, 60, at(0.9), false}},
	} {
		plan.kinds = append(plan.kinds, kindOfData{name: k.name, lot: k.o.lot, tells: 0.5})
	}
	plan.kinds = append(plan.kinds, kindOfData{name: "none looked at, yield 0.6", beyond: "(nine in ten)", lot: ordered{40, 0, at(0.6), true}.lot})
	// Wilson's interval keeps its level on average over all yields, and not at each.
	seen := promise{name: "the yield of parts looked at", keeps: 0.93, says: []string{"interval of the yield", "lower end of 95 %\"", "upper end of 95 %\"", "<dt>Yield</dt>"}}
	for _, y := range []float64{0.5, 0.8, 0.9} {
		for _, n := range []int64{20, 100} {
			seen.kinds = append(seen.kinds, kindOfData{name: fmt.Sprintf("%d looked at, yield %g", n, y), lot: ordered{0, n, at(y), false}.seen})
		}
	}
	return []promise{plan, seen}
}
