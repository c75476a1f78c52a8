package belt

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func one(nominal float64, measured ...float64) (list []Length) {
	for _, m := range measured {
		list = append(list, Length{nominal, m})
	}
	return list
}

// TestScaleOfPractice: a nominal 20 mm side that measures 21.3 mm asks for
// steps/mm x 20/21.3 (common practice, no source).
func TestScaleOfPractice(t *testing.T) {
	for _, steps := range []float64{80, 100, 400} {
		s, err := MeasureScale(steps, one(20, 21.3), 0.01)
		if err != nil {
			t.Fatal(err)
		}
		if !near(s.StepsPerMM, steps*20/21.3, 1e-12) || !near(s.Factor, 20/21.3, 1e-12) || s.Significant || s.OffsetSE != nil {
			t.Errorf("%g steps/mm: %+v", steps, s)
		}
	}
}

// TestScaleUncertainty: mean 20.02, squares about it 0.0008 by hand. The standard error has
// the scatter, pooled with what is taken for granted, and beside it, not divided by the
// number, the caliper's resolution/sqrt 12 and its error/sqrt 3 (GUM, JCGM 100:2008, 4.3.7
// and F.2.2.1; from memory).
func TestScaleUncertainty(t *testing.T) {
	s, err := MeasureScale(80, one(20, 20.00, 20.02, 20.04), 0.01)
	if err != nil {
		t.Fatal(err)
	}
	se := math.Sqrt((4*0.1*0.1+0.0008)/6/3 + 0.01*0.01/12 + 0.02*0.02/3)
	if !near(s.MeasuredMM, 20.02, 1e-12) || !near(s.StepsPerMMSE, 80*20/20.02*se/20.02, 1e-9) || s.N != 3 {
		t.Errorf("%+v, want standard error %.6f", s, 80*20/20.02*se/20.02)
	}
	if s.Significant {
		t.Error("a change within its own uncertainty is called significant")
	}
	// Lengths that scatter more than was thought speak for themselves: sample deviation 0.4.
	s, _ = MeasureScale(80, one(20, 19.6, 20.0, 20.4), 0.01)
	if se := math.Sqrt(0.16/3 + 0.01*0.01/12 + 0.02*0.02/3); !near(s.StepsPerMMSE, 80*se/20, 1e-9) {
		t.Errorf("%+v, want standard error %.6f", s, 80*se/20)
	}
	// However many: a caliper that shows tenths does not show hundredths.
	many := make([]float64, 200)
	for i := range many {
		many[i] = 20 + 0.1*float64(i%2)
	}
	if s, _ = MeasureScale(80, one(20, many...), 0.1); s.Significant {
		t.Errorf("half a step of a caliper of 0.1 mm: %+v", s)
	}
	if s, _ = MeasureScale(80, one(20, many...), 0.01); !s.Significant {
		t.Errorf("0.05 mm by a caliper of 0.01 mm: %+v", s)
	}
}

// Several sizes tell scale from an outline that bulges by the same everywhere. Made by
// hand: 1.02 for each mm and 0.15 mm on top.
func TestScaleAndOffset(t *testing.T) {
	var list []Length
	for i, n := range []float64{20, 40, 60, 80, 100} {
		e := 0.01 * float64(i%2*2-1) // +-0.01 in turn
		list = append(list, Length{n, 1.02*n + 0.15 + e})
	}
	s, err := MeasureScale(80, list, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(s.StepsPerMM-80/1.02) > 0.03 || math.Abs(s.OffsetMM-0.15) > 0.03 || s.OffsetSE == nil || !s.Significant || s.Sizes != 5 {
		t.Errorf("%+v", s)
	}
	// The 20 mm side alone would have blamed the scale for the bulge too.
	if alone, _ := MeasureScale(80, list[:1], 0.01); math.Abs(alone.StepsPerMM-s.StepsPerMM) < 0.3 {
		t.Errorf("one size gives %g, several %g", alone.StepsPerMM, s.StepsPerMM)
	}
	// Two sizes leave no scatter to see; what is taken for granted stands.
	two, err := MeasureScale(80, []Length{{20, 20.4}, {100, 102}}, 0.01)
	if err != nil || math.Abs(two.Factor-1/1.02) > 1e-9 || !(two.StepsPerMMSE > 0) || !(*two.OffsetSE > 0) {
		t.Errorf("two sizes: %+v, %v", two, err)
	}
}

// Every mistake is named, not only the first.
func TestScaleRefuses(t *testing.T) {
	for name, in := range map[string]struct {
		steps   float64
		lengths []Length
	}{
		"none": {80, nil}, "slipped digit": {80, one(20, 2.01)}, "zero": {80, one(20, 0)}, "not a number": {80, one(20, math.NaN())},
		"negative": {80, one(20, -20)}, "infinite": {80, one(20, math.Inf(1))}, "no steps": {0, one(20, 20)}, "no nominal": {80, one(0, 20)},
		"sizes too close": {80, []Length{{20, 20}, {20.1, 21}}},
	} {
		if s, err := MeasureScale(in.steps, in.lengths, 0.01); !errors.Is(err, ErrScale) {
			t.Errorf("%s: %+v, %v; want a refusal", name, s, err)
		}
	}
	_, err := MeasureScale(-1, []Length{{20, 2.01}, {0, 20}}, 0.01)
	for _, want := range []string{"-1 steps/mm", "2.01 mm measured against 20 mm", "nominal length of 0 mm"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not named in %v", want, err)
		}
	}
}

// Setting the new steps/mm makes the next parts nominal, up to the outline's offset.
func TestScaleCorrects(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		truth, offset := rapid.Float64Range(0.9, 1.1).Draw(t, "scale"), rapid.Float64Range(-0.2, 0.2).Draw(t, "offset")
		var list []Length
		for _, n := range []float64{20, 50, 120} {
			list = append(list, Length{n, truth*n + offset})
		}
		s, err := MeasureScale(100, list, 0.01)
		if err != nil {
			t.Fatal(err)
		}
		if again := truth * s.Factor; math.Abs(again-1) > 1e-9 || math.Abs(s.OffsetMM-offset) > 1e-6 {
			t.Fatalf("scale %g offset %g: %+v", truth, offset, s)
		}
	})
}
