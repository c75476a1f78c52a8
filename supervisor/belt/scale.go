package belt

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
)

// Scale is a corrected belt scale, from one nominal length measured on one or
// more parts.
type Scale struct {
	StepsPerMM   float64 `json:"steps_per_mm"`    // what the axis should be set to
	StepsPerMMSE float64 `json:"steps_per_mm_se"` // its standard error
	Factor       float64 `json:"scale"`           // new over old
	MeasuredMM   float64 `json:"measured_mm"`     // mean of the measurements
	N            int     `json:"n"`
	Significant  bool    `json:"significant"` // the change is larger than twice its standard error
}

// ErrScale: the measurements cannot give a scale.
var ErrScale = errors.New("measurements give no scale")

// largestCorrection bounds what is taken for a scale error rather than for a
// misread caliper. The worst correction known from practice is 6.5 % (a nominal
// 20 mm side that came out at 21.3 mm; common practice, no source).
const largestCorrection = 0.25

// MeasureScale returns the belt steps/mm that would make the measured length
// nominal. A part that comes out too long was moved too far for each step, so
// steps/mm go down: new = old * nominal / measured. resolutionMM is the caliper's
// resolution; its uniform error (resolution/sqrt 12, GUM 4.3.7) bounds the
// standard error from below, and stands alone when there is one measurement.
func MeasureScale(stepsPerMM, nominalMM float64, measuredMM []float64, resolutionMM float64) (Scale, error) {
	if len(measuredMM) == 0 {
		return Scale{}, fmt.Errorf("cannot measure scale: %w: none given", ErrScale)
	}
	for _, v := range append([]float64{stepsPerMM, nominalMM}, measuredMM...) {
		if !(v > 0) || math.IsInf(v, 0) {
			return Scale{}, fmt.Errorf("cannot measure scale: %w: %g is not a positive number", ErrScale, v)
		}
	}
	for _, v := range measuredMM {
		if math.Abs(v/nominalMM-1) > largestCorrection {
			return Scale{}, fmt.Errorf("cannot measure scale: %w: %g mm measured against %g mm nominal is %+.0f %%; look for a slipped digit",
				ErrScale, v, nominalMM, 100*(v/nominalMM-1))
		}
	}
	mean := stat.Mean(measuredMM, nil)
	n := float64(len(measuredMM))
	se := resolutionMM / math.Sqrt(12)
	if n > 1 {
		se = math.Hypot(stat.StdDev(measuredMM, nil)/math.Sqrt(n), se/math.Sqrt(n))
	}
	factor := nominalMM / mean
	return Scale{
		StepsPerMM: stepsPerMM * factor, StepsPerMMSE: stepsPerMM * factor * se / mean, Factor: factor,
		MeasuredMM: mean, N: len(measuredMM), Significant: math.Abs(mean-nominalMM) > 2*se,
	}, nil
}
