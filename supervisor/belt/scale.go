package belt

import (
	"errors"
	"fmt"
	"math"

	"beltwarden/supervisor/distribution"
)

// Length is one length along the belt, as it should be and as it was measured.
type Length struct{ NominalMM, MeasuredMM float64 }

// Scale is a corrected belt scale.
type Scale struct {
	StepsPerMM   float64 `json:"steps_per_mm"`    // what the axis should be set to
	StepsPerMMSE float64 `json:"steps_per_mm_se"` // its standard error
	Factor       float64 `json:"scale"`           // new over old
	// OffsetMM is what every length has too much or too little whatever its size, such
	// as a bulging outline. It takes lengths of different size to tell it from scale;
	// with one size it is 0, and OffsetSE nil.
	OffsetMM   float64  `json:"offset_mm"`
	OffsetSE   *float64 `json:"offset_se"`
	MeasuredMM float64  `json:"measured_mm"` // mean of the measurements
	N          int      `json:"n"`
	Sizes      int      `json:"sizes"` // different nominal lengths
	// Significant: the change is beyond its own 95 % uncertainty.
	Significant bool `json:"significant"`
}

// ErrScale: the measurements cannot give a scale.
var ErrScale = errors.New("measurements give no scale")

// largestCorrection bounds what is taken for a scale error rather than for a
// misread caliper. The worst correction known from practice is 6.5 % (a nominal
// 20 mm side that came out at 21.3 mm; common practice, no source).
const largestCorrection = 0.25

// MeasureScale returns the belt steps/mm that would make the measured lengths
// nominal. A part that comes out too long was moved too far for each step, so
// steps/mm go down: new = old / (measured for each mm nominal). With one size the
// ratio of the means is all there is; with several, the slope of a line is the scale
// and its constant the offset of the outline. resolutionMM is the caliper's; its
// uniform error (resolution/sqrt 12, GUM 4.3.7) bounds the standard error from below,
// and stands alone when there is no scatter to see.
func MeasureScale(stepsPerMM float64, lengths []Length, resolutionMM float64) (Scale, error) {
	if err := checkLengths(stepsPerMM, lengths); err != nil {
		return Scale{}, err
	}
	x, y := make([]float64, len(lengths)), make([]float64, len(lengths))
	sizes := map[float64]bool{}
	for i, l := range lengths {
		x[i], y[i] = l.NominalMM, l.MeasuredMM
		sizes[l.NominalMM] = true
	}
	s := Scale{MeasuredMM: mean(y), N: len(lengths), Sizes: len(sizes)}
	ratio, se, df := 0.0, 0.0, 0.0
	if len(sizes) == 1 {
		ratio, se, df = ratioOf(x[0], y, resolutionMM)
	} else {
		fit, err := FitLine(x, y)
		if err != nil {
			return Scale{}, fmt.Errorf("cannot measure scale: %w: %w", ErrScale, err)
		}
		own := resolutionMM / math.Sqrt(12)
		widen := 1.0 // where there is less scatter than the caliper shows, its own counts
		if fit.ResidualSD > 0 {
			widen = math.Max(1, own/fit.ResidualSD)
		}
		ratio, se, df = fit.Slope[0], fit.SlopeSE[0]*widen, float64(fit.DF)
		offset := fit.ConstantSE * widen
		if fit.ResidualSD == 0 { // two points, or points in line: only the caliper's error
			unit := math.Sqrt(squaresAbout(x, mean(x)))
			se, offset, df = own/unit, own*math.Sqrt(1/float64(len(x))+math.Pow(mean(x)/unit, 2)), math.Inf(1)
		}
		s.OffsetMM, s.OffsetSE = fit.Constant, &offset
	}
	if math.Abs(ratio-1) > largestCorrection {
		return Scale{}, fmt.Errorf("cannot measure scale: %w: %.4f mm measured for each mm nominal; look for a slipped digit, or lengths that differ more", ErrScale, ratio)
	}
	s.Factor = 1 / ratio
	s.StepsPerMM, s.StepsPerMMSE = stepsPerMM/ratio, stepsPerMM*se/(ratio*ratio)
	s.Significant = math.Abs(ratio-1) > quantile975(df)*se
	return s, nil
}

// ratioOf is the mean of measurements of one size over the nominal, with its error.
func ratioOf(nominal float64, measured []float64, resolutionMM float64) (ratio, se, df float64) {
	n := float64(len(measured))
	own := resolutionMM / math.Sqrt(12)
	se, df = own, math.Inf(1)
	if n > 1 {
		scatter := math.Sqrt(squaresAbout(measured, mean(measured)) / (n - 1))
		se = math.Hypot(scatter, own) / math.Sqrt(n)
		if scatter > own {
			df = n - 1
		}
	}
	return mean(measured) / nominal, se / nominal, df
}

func quantile975(df float64) float64 {
	if math.IsInf(df, 1) {
		return distribution.NormalQuantile(0.975)
	}
	return distribution.StudentQuantile(0.975, df)
}

// checkLengths refuses what no caliper shows.
func checkLengths(stepsPerMM float64, lengths []Length) error {
	var wrong []error
	say := func(format string, a ...any) { wrong = append(wrong, fmt.Errorf(format, a...)) }
	positive := func(v float64) bool { return v > 0 && !math.IsInf(v, 0) }
	if !positive(stepsPerMM) {
		say("%g steps/mm is not a positive number", stepsPerMM)
	}
	if len(lengths) == 0 {
		say("no length is given")
	}
	for _, l := range lengths {
		switch {
		case !positive(l.NominalMM):
			say("a nominal length of %g mm is not a positive number", l.NominalMM)
		case !positive(l.MeasuredMM):
			say("a measured length of %g mm is not a positive number", l.MeasuredMM)
		case math.Abs(l.MeasuredMM/l.NominalMM-1) > largestCorrection:
			say("%g mm measured against %g mm nominal is %+.0f %%; look for a slipped digit", l.MeasuredMM, l.NominalMM, 100*(l.MeasuredMM/l.NominalMM-1))
		}
	}
	if len(wrong) > 0 {
		return fmt.Errorf("cannot measure scale: %w: %w", ErrScale, errors.Join(wrong...))
	}
	return nil
}
