// Package distribution provides the normal, Student's t (central and noncentral), beta and
// chi-squared distributions. The special functions are the library's; here are the textbook
// formulas on top of them (Abramowitz and Stegun, 26.2, 26.4 and 26.7). The library's own package
// of distributions would add all of its linear algebra to the program, two megabytes that nothing
// here uses.
package distribution

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
)

// NormalBelow is the probability that a standard normal value is below z; with -z, that it is
// above.
func NormalBelow(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// NormalDensity is the density of the standard normal at z.
func NormalDensity(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }

// NormalQuantile is the value that a standard normal variable is below with probability p, 0 to 1;
// it panics outside.
func NormalQuantile(p float64) float64 { return mathext.NormalQuantile(p) }

// StudentBelow is the probability that Student's t with df degrees of freedom, which need not be
// whole, is below t (26.7.1).
func StudentBelow(t, df float64) float64 {
	outside := mathext.RegIncBeta(df/2, 0.5, df/(df+t*t))
	if t > 0 {
		return 1 - outside/2
	}
	return outside / 2
}

// StudentQuantile is the value that Student's t with df degrees of freedom is below with
// probability p, 0 to 1; it panics outside.
func StudentQuantile(p, df float64) float64 {
	if p == 0.5 {
		return 0
	}
	x := mathext.InvRegIncBeta(df/2, 0.5, 2*math.Min(p, 1-p))
	return math.Copysign(math.Sqrt(df*(1-x)/x), p-0.5)
}

// BetaQuantile is the value that a beta variable with a and b is below with probability p, 0 to 1;
// it panics outside.
func BetaQuantile(p, a, b float64) float64 { return mathext.InvRegIncBeta(a, b, p) }

// ChiSquaredQuantile is the value that chi-squared with df degrees of freedom is below with
// probability p, 0 to 1; it panics outside.
func ChiSquaredQuantile(p, df float64) float64 { return 2 * mathext.GammaIncRegInv(df/2, p) }

// weighted are points of an integral over w, with their weights times the density.
type weighted struct{ w, weight []float64 }

func rootChiSquared(df float64) weighted {
	const points, reach = 100, 9
	p := weighted{make([]float64, points), make([]float64, points)}
	half := reach / math.Sqrt(2*df)
	quad.Legendre{}.FixedLocations(p.w, p.weight, math.Max(0, 1-half), 1+half)
	lg, _ := math.Lgamma(df / 2)
	constant := math.Ln2 + df/2*math.Log(df/2) - lg
	for i, w := range p.w {
		p.weight[i] *= math.Exp(constant + (df-1)*math.Log(w) - df*w*w/2)
	}
	return p
}

func (p weighted) below(t, shift float64) (sum float64) {
	for i, w := range p.w {
		sum += p.weight[i] * NormalBelow(t*w-shift)
	}
	return sum
}

// NoncentralityBelow is the shift of the noncentral t for which a value is above t with probability
// p only. A value observed at t bounds the shift from below by it, with confidence 1-p.
func NoncentralityBelow(t, df, p float64) float64 {
	points := rootChiSquared(df)
	spread := 10 + math.Abs(t)*10/math.Sqrt(2*df)
	low, high := t-spread, t+spread
	for range 50 {
		middle := low + (high-low)/2
		if 1-points.below(t, middle) > p {
			high = middle
		} else {
			low = middle
		}
	}
	return low
}
