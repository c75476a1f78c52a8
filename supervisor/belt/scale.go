package belt

import (
	"errors"
	"fmt"
	"math"

	"beltwarden/supervisor/distribution"
)

// Length is one length along the belt, nominal and as measured.
type Length struct{ NominalMM, MeasuredMM float64 }

// Scale is a corrected belt scale.
type Scale struct {
	StepsPerMM   float64 `json:"steps_per_mm"`    // what the axis should be set to
	StepsPerMMSE float64 `json:"steps_per_mm_se"` // its standard error
	Factor       float64 `json:"scale"`           // new over old
	// OffsetMM is a deviation of every length regardless of its size, such as a bulging outline. It
	// can be separated from scale only with lengths of different size; with one size it is 0, and
	// OffsetSE nil.
	OffsetMM   float64  `json:"offset_mm"`
	OffsetSE   *float64 `json:"offset_se"`
	MeasuredMM float64  `json:"measured_mm"` // mean of the measurements
	N          int      `json:"n"`
	Sizes      int      `json:"sizes"` // different nominal lengths
	// Significant: the change exceeds its own 95 % uncertainty, with more than one length.
	Significant bool `json:"significant"`
}

// ErrScale: the measurements cannot give a scale.
var ErrScale = errors.New("measurements give no scale")

// largestCorrection bounds what counts as a scale error rather than a misread caliper. The worst
// correction known from practice is 6.5 % (a nominal 20 mm side that came out at 21.3 mm; common
// practice, no source).
const largestCorrection = 0.25

// Assumptions about parts and calipers (common practice, no source).
const (
	// scatterMM is the standard deviation of lengths of equal parts until they show their own, with
	// scatterDF degrees of freedom.
	scatterMM, scatterDF = 0.1, 4.0
	// caliperMM is the error of a caliper at any one length.
	caliperMM = 0.02
)

// MeasureScale returns the belt steps/mm that would make the measured lengths nominal. A part that
// is too long was moved too far per step, so steps/mm go down: new = old / (measured per mm
// nominal). With one size that is the ratio of the means; with several, the slope of a line is the
// scale and its constant the offset of the outline.
//
// The standard error has two parts. The parts' scatter, assumed and observed, shrinks with their
// number. The resolution of the caliper, as a uniform error (resolution/sqrt 12, GUM F.2.2.1), and
// its error do not: they are the same for all lengths of a size. The degrees of freedom are those
// of Welch and Satterthwaite (GUM G.4.1). One measurement is never significant.
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
	e := lengthError{sizes: x, own: math.Hypot(resolutionMM/math.Sqrt(12), caliperMM/math.Sqrt(3))}
	ratio, n := 0.0, float64(len(lengths))
	weights := make([]float64, len(lengths)) // of the measurements in the ratio
	if len(sizes) == 1 {
		ratio = s.MeasuredMM / x[0]
		e.scatter(squaresAbout(y, s.MeasuredMM), n-1)
		for i := range weights {
			weights[i] = 1 / (n * x[0])
		}
	} else {
		fit, err := FitLine(x, y)
		if err != nil {
			return Scale{}, fmt.Errorf("cannot measure scale: %w: %w", ErrScale, err)
		}
		ratio = fit.Slope[0]
		e.scatter(fit.ResidualSS, n-2)
		middle := mean(x)
		apart, constant := squaresAbout(x, middle), make([]float64, len(lengths))
		for i, v := range x {
			weights[i] = (v - middle) / apart
			constant[i] = 1/n - middle*weights[i]
		}
		offset, _ := e.of(constant)
		s.OffsetMM, s.OffsetSE = fit.Constant, &offset
	}
	if math.Abs(ratio-1) > largestCorrection {
		return Scale{}, fmt.Errorf("cannot measure scale: %w: %.4f mm measured for each mm nominal; look for a slipped digit, or lengths that differ more", ErrScale, ratio)
	}
	se, df := e.of(weights)
	s.Factor = 1 / ratio
	s.StepsPerMM, s.StepsPerMMSE = stepsPerMM/ratio, stepsPerMM*se/(ratio*ratio)
	s.Significant = len(lengths) > 1 && math.Abs(ratio-1) > quantile975(df)*se
	return s, nil
}

// lengthError is the error of measured lengths, mm.
type lengthError struct {
	sizes        []float64 // nominal length of each
	own          float64   // standard error of the caliper, the same for all of one size
	variance, df float64   // of the parts
}

// scatter pools the assumed scatter of the parts with the observed one. If that is larger, it alone
// counts.
func (e *lengthError) scatter(squares, df float64) {
	e.variance, e.df = (scatterDF*scatterMM*scatterMM+squares)/(scatterDF+df), scatterDF+df
	if df > 0 && squares/df > scatterMM*scatterMM {
		e.variance, e.df = squares/df, df
	}
}

// of returns the standard error of a weighted sum of the lengths, with its degrees of freedom.
func (e *lengthError) of(weights []float64) (se, df float64) {
	random, bySize := 0.0, map[float64]float64{}
	for i, w := range weights {
		random += e.variance * w * w
		bySize[e.sizes[i]] += w
	}
	variance := random
	for _, w := range bySize {
		variance += e.own * e.own * w * w
	}
	return math.Sqrt(variance), e.df * (variance / random) * (variance / random)
}

func quantile975(df float64) float64 {
	if math.IsInf(df, 1) {
		return distribution.NormalQuantile(0.975)
	}
	return distribution.StudentQuantile(0.975, df)
}

// checkLengths refuses lengths that no caliper shows.
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
