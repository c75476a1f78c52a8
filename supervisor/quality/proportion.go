package quality

import (
	"fmt"
	"math"
)

// Wilson is the score interval of a proportion of k in n, which stays honest for
// few parts and for none or all of them. Confidence is two-sided; for a bound to one
// side alone give 2c-1.
func Wilson(k, n int64, confidence float64) (Interval, error) {
	if err := checkProportion(k, n, confidence); err != nil {
		return Interval{}, err
	}
	q := z((1 + confidence) / 2)
	size, p := float64(n), float64(k)/float64(n)
	middle := p + q*q/(2*size)
	half := q * math.Sqrt(p*(1-p)/size+q*q/(4*size*size))
	whole := 1 + q*q/size
	i := Interval{math.Max(0, (middle-half)/whole), math.Min(1, (middle+half)/whole)}
	if k == 0 {
		i.Low = 0 // exactly, and not the rounding error of two equal terms
	}
	if k == n {
		i.High = 1
	}
	return i, nil
}

func checkProportion(k, n int64, confidence float64) error {
	if n < 1 || k < 0 || k > n {
		return fmt.Errorf("cannot compute a proportion: %d of %d is not possible", k, n)
	}
	if !between(confidence) {
		return fmt.Errorf("cannot compute a proportion: a confidence of %g is not between 0 and 1", confidence)
	}
	return nil
}
