// Package distribution holds the three distributions that judgements here rest on:
// the normal, Student's t and chi-squared. The special functions are the library's;
// what stands here are the textbook formulas that lead to them (Abramowitz and Stegun,
// 26.2, 26.4 and 26.7). The library's own package of distributions would bring all of
// its linear algebra into the program, two megabytes that nothing here calls.
package distribution

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// NormalBelow is the probability that a standard normal value is below z, and so, with
// the sign of z turned, that it is above it.
func NormalBelow(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// NormalDensity is the density of the standard normal at z.
func NormalDensity(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }

// NormalQuantile is the z that a standard normal value is below with the probability p,
// 0 to 1; it panics outside.
func NormalQuantile(p float64) float64 { return mathext.NormalQuantile(p) }

// StudentBelow is the probability that a value of Student's t with df degrees of
// freedom, which need not be whole, is below t (26.7.1).
func StudentBelow(t, df float64) float64 {
	outside := mathext.RegIncBeta(df/2, 0.5, df/(df+t*t))
	if t > 0 {
		return 1 - outside/2
	}
	return outside / 2
}

// StudentQuantile is the t that a value of Student's t with df degrees of freedom is
// below with the probability p, 0 to 1; it panics outside.
func StudentQuantile(p, df float64) float64 {
	if p == 0.5 {
		return 0
	}
	x := mathext.InvRegIncBeta(df/2, 0.5, 2*math.Min(p, 1-p))
	return math.Copysign(math.Sqrt(df*(1-x)/x), p-0.5)
}

// ChiSquaredQuantile is what a value of chi-squared with df degrees of freedom is below
// with the probability p, 0 to 1; it panics outside.
func ChiSquaredQuantile(p, df float64) float64 { return 2 * mathext.GammaIncRegInv(df/2, p) }
