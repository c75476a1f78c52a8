package supervisor

import (
	"fmt"
	"math"
	"math/rand/v2"

	"beltwarden/supervisor/belt"
)

// measuring is how lengths for a scale are obtained.
type measuring struct {
	sizes     []float64 // nominal, mm
	parts     int       // of each
	wrong     float64   // error of the scale, as a fraction
	scatterMM float64   // of the parts
	stepMM    float64   // resolution of the caliper
	caliperMM float64   // largest error of the caliper at any length
}

func (m measuring) lot(r *rand.Rand) (holds, told bool) {
	var list []belt.Length
	for _, mm := range m.sizes {
		caliper := m.caliperMM * (2*r.Float64() - 1)
		place := r.Float64() * m.stepMM // where the nominal lies between what the caliper shows
		for range m.parts {
			is := mm*(1+m.wrong) + caliper + m.scatterMM*r.NormFloat64()
			list = append(list, belt.Length{NominalMM: mm, MeasuredMM: m.stepMM*math.Round((is+place)/m.stepMM) - place})
		}
	}
	s, err := belt.MeasureScale(80, list, m.stepMM)
	if err != nil {
		return true, false
	}
	return !s.Significant || m.wrong != 0, s.Significant
}

func scalePromises() []promise {
	p := promise{name: "a scale is worth correcting", keeps: 0.95, says: []string{"its own uncertainty (95 %"}}
	add := func(tells float64, m measuring) {
		name := fmt.Sprintf("right, %d of %v mm", m.parts, m.sizes)
		if m.wrong != 0 {
			name = fmt.Sprintf("%g %% wrong, %d of %v mm", 100*m.wrong, m.parts, m.sizes)
		}
		k := kindOfData{name: name + fmt.Sprintf(", scatter %g, caliper to %g", m.scatterMM, m.stepMM), lot: m.lot, tells: tells}
		if m.scatterMM > 0.1 && len(m.sizes)*m.parts < 5 {
			k.beyond = "(scatter of 0.1 mm at most)"
		}
		p.kinds = append(p.kinds, k)
	}
	one, two, three := []float64{20}, []float64{20, 100}, []float64{20, 60, 100}
	for _, n := range []int{1, 2, 3, 5, 20} {
		for _, scatter := range []float64{0.01, 0.05, 0.1, 0.2} {
			add(0, measuring{sizes: one, parts: n, scatterMM: scatter, stepMM: 0.01, caliperMM: 0.02})
		}
		add(0, measuring{sizes: one, parts: n, scatterMM: 0.01, stepMM: 0.1, caliperMM: 0.02})
		add(0, measuring{sizes: one, parts: n, scatterMM: 0.05, stepMM: 0.1, caliperMM: 0.02})
	}
	for _, scatter := range []float64{0.01, 0.05, 0.1, 0.2} {
		add(0, measuring{sizes: two, parts: 1, scatterMM: scatter, stepMM: 0.01, caliperMM: 0.02})
		add(0, measuring{sizes: two, parts: 3, scatterMM: scatter, stepMM: 0.01, caliperMM: 0.02})
		add(0, measuring{sizes: three, parts: 1, scatterMM: scatter, stepMM: 0.05, caliperMM: 0.02})
	}
	add(0, measuring{sizes: three, parts: 20, scatterMM: 0.02, stepMM: 0.1, caliperMM: 0.02})
	add(0.9, measuring{sizes: one, parts: 5, wrong: 0.01, scatterMM: 0.05, stepMM: 0.01, caliperMM: 0.02})
	add(0.9, measuring{sizes: []float64{100}, parts: 3, wrong: 0.004, scatterMM: 0.1, stepMM: 0.01, caliperMM: 0.02})
	add(0.9, measuring{sizes: three, parts: 2, wrong: 0.005, scatterMM: 0.05, stepMM: 0.01, caliperMM: 0.02})
	return []promise{p}
}
