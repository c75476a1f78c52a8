package quality

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"beltwarden/supervisor/distribution"
)

// ExactD2 is the mean range of two values of a normal population, in standard
// deviations: 2/sqrt(pi). Printed tables round it to PrintedD2.
const (
	ExactD2   = 2 / (math.SqrtPi)
	PrintedD2 = 1.128
)

// Factors are those of control charts for samples of N values.
type Factors struct {
	N  int
	D2 float64 // mean range, in standard deviations
	D3 float64 // standard deviation of the range, in standard deviations
	A2 float64 // limits of the mean, in mean ranges
	E2 float64 // limits of single values, in mean ranges
	// LowerRange and UpperRange are the limits of the range, in mean ranges. Tables
	// call them D3 and D4, and with that use the name D3 twice.
	LowerRange, UpperRange float64
}

// FactorsFor integrates the distribution of the range of n normal values; n is 2 to
// 25. The error is under 1e-6.
func FactorsFor(n int) (Factors, error) {
	if n < 2 || n > 25 {
		return Factors{}, fmt.Errorf("cannot compute chart factors: samples of %d values are not among 2 to 25", n)
	}
	const reach, points = 8.5, 160 // beyond 8.5 standard deviations lie under 2e-17 of all values
	size := float64(n)
	d2 := quad.Fixed(func(x float64) float64 {
		below := distribution.NormalBelow(x)
		return 1 - math.Pow(below, size) - math.Pow(1-below, size)
	}, -reach, reach, points, quad.Legendre{}, 0)
	// The range exceeds w unless all other values lie within w above the least one.
	exceeds := func(w float64) float64 {
		return 1 - quad.Fixed(func(x float64) float64 {
			within := distribution.NormalBelow(x+w) - distribution.NormalBelow(x)
			return size * distribution.NormalDensity(x) * math.Pow(within, size-1)
		}, -reach, reach, points, quad.Legendre{}, 0)
	}
	square := quad.Fixed(func(w float64) float64 { return 2 * w * exceeds(w) }, 0, 2*reach, points, quad.Legendre{}, 0)
	d3 := math.Sqrt(square - d2*d2)
	return Factors{
		N: n, D2: d2, D3: d3, A2: 3 / (d2 * math.Sqrt(size)), E2: 3 / d2,
		LowerRange: math.Max(0, 1-3*d3/d2), UpperRange: 1 + 3*d3/d2,
	}, nil
}
