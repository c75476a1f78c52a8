package quality

import (
	"fmt"
	"math"
)

// Wilson is the score interval of a proportion of k in n, which is reliable for few parts and for
// none or all of them. Confidence is two-sided; for a one-sided bound use 2c-1.
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
		i.Low = 0 // exactly, without the rounding error of two equal terms
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

// AtMost is the largest proportion that k in n leave open with the confidence, to one side (Clopper and Pearson
// 1934): it holds whatever the parts are like, as long as those looked at are like the others.
func AtMost(k, n int64, confidence float64) (float64, error) {
	if err := checkProportion(k, n, confidence); err != nil {
		return 0, err
	}
	if k == n {
		return 1, nil
	}
	// The probability of k or fewer falls as the proportion grows.
	below := func(p float64) float64 {
		odds := (1 - p) / p
		first := logChoose(n, k) + float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p)
		return sumDown(first, k, func(k float64) float64 { return k * odds / (float64(n) - k + 1) })
	}
	low, high := 0.0, 1.0
	for range 60 {
		if p := (low + high) / 2; below(p) > 1-confidence {
			low = p
		} else {
			high = p
		}
	}
	return high, nil
}
