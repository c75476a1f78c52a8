package supervisor

import (
	"math"
	"math/rand/v2"

	"beltwarden/supervisor/distribution"
	"beltwarden/supervisor/quality"
)

// sized is a process whose sizes are judged against 20 +/- 0.2 mm.
type sized struct {
	n          int
	mean, sd   float64
	stepMM     float64
	shiftMM    float64 // half way
	heavyTails bool
}

func (s sized) values(r *rand.Rand) []float64 {
	list := make([]float64, s.n)
	for i := range list {
		v := s.mean + s.sd*r.NormFloat64()
		if s.heavyTails && r.Float64() < 0.1 {
			v = s.mean + 3*s.sd*r.NormFloat64()
		}
		if i >= s.n/2 {
			v += s.shiftMM
		}
		if s.stepMM > 0 {
			v = s.stepMM * math.Round(v/s.stepMM)
		}
		list[i] = v
	}
	return list
}

// outside is the fraction of the process that is out of tolerance.
func (s sized) outside() float64 {
	of := func(sd float64) float64 {
		return distribution.NormalBelow((19.8-s.mean)/sd) + distribution.NormalBelow((s.mean-20.2)/sd)
	}
	if s.heavyTails {
		return 0.9*of(s.sd) + 0.1*of(3*s.sd)
	}
	return of(s.sd)
}

func (s sized) judged(r *rand.Rand) (quality.Performance, error) {
	values := s.values(r)
	m, err := quality.NewMonitor(quality.DefaultSettings())
	if err != nil {
		panic(err)
	}
	signals := 0
	for _, v := range values {
		verdict, err := m.Observe(v)
		if err != nil {
			panic(err)
		}
		signals += len(verdict.Signals)
	}
	return quality.PerformanceOf(values, signals, quality.Tolerance{Lower: 19.8, Upper: 20.2}, 0.95)
}

func performancePromises() []promise {
	most := promise{name: "no more than a fraction is out of tolerance", keeps: 0.95, says: []string{"out of tolerance, with 95 %% certainty", "out of tolerance at most", " in a million", "<th scope=\"row\">Out of tolerance"}}
	index := promise{name: "the interval of Ppk", keeps: 0.94, mostly: 0.985,
		says: []string{"Ppk %.3f (95 %%", "Ppk %.2f (95 %%", "interval of Ppk", "the 95 % intervals by chi-squared", "Pp, lower end of 95 %", "Pp, upper end of 95 %", "Ppk, lower end of 95 %", "Ppk, upper end of 95 %", "Performance Pp"}}
	for _, k := range []struct {
		name  string
		s     sized
		tells float64
	}{
		{"9 lengths", sized{n: 9, mean: 20, sd: 0.05}, 0},
		{"30 lengths", sized{n: 30, mean: 20, sd: 0.05}, 0.85},
		{"30 lengths, off the middle", sized{n: 30, mean: 20.08, sd: 0.05}, 0.85},
		{"60 lengths, wide", sized{n: 60, mean: 20.02, sd: 0.1}, 0.85},
		{"200 lengths, far within", sized{n: 200, mean: 20, sd: 0.03}, 0.7},
		{"60 lengths, read to 0.05 mm", sized{n: 60, mean: 20.013, sd: 0.05, stepMM: 0.05}, 0.85},
		{"60 lengths, read to 0.1 mm", sized{n: 60, mean: 20.03, sd: 0.03, stepMM: 0.1}, 0},
		{"60 lengths, shifted by 0.1 mm half way", sized{n: 60, mean: 20, sd: 0.03, shiftMM: 0.1}, 0},
	} {
		if k.s.shiftMM == 0 {
			most.kinds = append(most.kinds, kindOfData{name: k.name, tells: k.tells, lot: func(r *rand.Rand) (bool, bool) {
				p, err := k.s.judged(r)
				return err != nil || k.s.outside() <= p.OutsideMost, err == nil
			}})
		} else { // it is not one process, and nothing must be stated about it
			most.kinds = append(most.kinds, kindOfData{name: k.name, lot: func(r *rand.Rand) (bool, bool) {
				_, err := k.s.judged(r)
				return err != nil, err == nil
			}})
		}
		if k.s.stepMM == 0 && k.s.shiftMM == 0 && k.s.n >= quality.MinForPerformance {
			index.kinds = append(index.kinds, kindOfData{name: k.name, tells: k.tells, lot: func(r *rand.Rand) (bool, bool) {
				p, err := k.s.judged(r)
				is := (0.2 - math.Abs(k.s.mean-20)) / 3 / k.s.sd
				return err != nil || p.PpkInterval.Low <= is && is <= p.PpkInterval.High, err == nil
			}})
		}
	}
	tails := sized{n: 60, mean: 20, sd: 0.04, heavyTails: true}
	most.kinds = append(most.kinds, kindOfData{name: "60 lengths, every tenth scatters three times as much", beyond: "(normal lengths)", lot: func(r *rand.Rand) (bool, bool) {
		p, err := tails.judged(r)
		return err != nil || tails.outside() <= p.OutsideMost, err == nil
	}})
	return []promise{most, index}
}
