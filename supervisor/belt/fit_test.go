package belt

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// dataset reads a data set of the NIST Statistical Reference Datasets
// (https://www.itl.nist.gov/div898/strd/lls/lls.shtml), columns y,x.
func dataset(t *testing.T, name string) (x, y []float64) {
	t.Helper()
	f, err := os.Open("../../testdata/reference/nist-" + name + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows[1:] {
		var v [2]float64
		for k := range v {
			if v[k], err = strconv.ParseFloat(r[k], 64); err != nil {
				t.Fatal(err)
			}
		}
		y, x = append(y, v[0]), append(x, v[1])
	}
	return x, y
}

// certified compares to a relative tolerance of 1e-11, which float64 reaches on these
// sets with centred columns.
func certified(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got/want-1) > 1e-11 {
		t.Errorf("%s: %.15g, certified %.15g", what, got, want)
	}
}

// Certified values of the NIST Statistical Reference Datasets, linear regression.
func TestCertifiedFits(t *testing.T) {
	x, y := dataset(t, "norris")
	f, err := FitLine(x, y)
	if err != nil {
		t.Fatal(err)
	}
	certified(t, "Norris constant", f.Constant, -0.262323073774029)
	certified(t, "Norris slope", f.Slope[0], 1.00211681802045)
	certified(t, "Norris constant SE", f.ConstantSE, 0.232818234301152)
	certified(t, "Norris slope SE", f.SlopeSE[0], 0.429796848199937e-03)
	certified(t, "Norris residual SD", f.ResidualSD, 0.884796396144373)
	certified(t, "Norris R2", f.R2, 0.999993745883712)
	certified(t, "Norris residual SS", f.ResidualSS, 26.6173985294224)

	x, y = dataset(t, "pontius")
	square := make([]float64, len(x))
	for i, v := range x {
		square[i] = v * v
	}
	if f, err = FitPlane(x, square, y); err != nil {
		t.Fatal(err)
	}
	certified(t, "Pontius B0", f.Constant, 0.673565789473684e-03)
	certified(t, "Pontius B1", f.Slope[0], 0.732059160401003e-06)
	certified(t, "Pontius B2", f.Slope[1], -0.316081871345029e-14)
	certified(t, "Pontius SE B0", f.ConstantSE, 0.107938612033077e-03)
	certified(t, "Pontius SE B1", f.SlopeSE[0], 0.157817399981659e-09)
	certified(t, "Pontius SE B2", f.SlopeSE[1], 0.486652849992036e-16)
	certified(t, "Pontius residual SD", f.ResidualSD, 0.205177424076185e-03)

	for _, c := range []struct {
		name                       string
		slope, se, sd, r2, residue float64
	}{
		{"noint1", 2.07438016528926, 0.165289256198347e-01, 3.56753034006338, 0.999365492298663, 127.272727272727},
		{"noint2", 0.727272727272727, 0.420827318078432e-01, 0.369274472937998, 0.993348115299335, 0.272727272727273},
	} {
		x, y = dataset(t, c.name)
		if f, err = FitThroughZero(x, y); err != nil {
			t.Fatal(err)
		}
		certified(t, c.name+" slope", f.Slope[0], c.slope)
		certified(t, c.name+" slope SE", f.SlopeSE[0], c.se)
		certified(t, c.name+" residual SD", f.ResidualSD, c.sd)
		certified(t, c.name+" R2", f.R2, c.r2)
		certified(t, c.name+" residual SS", f.ResidualSS, c.residue)
	}
}

func TestFitRefuses(t *testing.T) {
	for name, run := range map[string]func() (*Fit, error){
		"no points":      func() (*Fit, error) { return FitLine(nil, nil) },
		"one point":      func() (*Fit, error) { return FitLine([]float64{1}, []float64{1}) },
		"one place":      func() (*Fit, error) { return FitLine([]float64{2, 2, 2}, []float64{1, 2, 3}) },
		"not a number":   func() (*Fit, error) { return FitLine([]float64{1, math.NaN()}, []float64{1, 2}) },
		"lengths differ": func() (*Fit, error) { return FitLine([]float64{1, 2}, []float64{1, 2, 3}) },
		"columns the same": func() (*Fit, error) {
			return FitPlane([]float64{1, 2, 3, 4}, []float64{2, 4, 6, 8}, []float64{1, 2, 3, 5})
		},
		"zero through zero": func() (*Fit, error) { return FitThroughZero([]float64{0, 0}, []float64{1, 2}) },
	} {
		if f, err := run(); !errors.Is(err, ErrFit) {
			t.Errorf("%s: %+v, %v", name, f, err)
		}
	}
	f, err := FitLine([]float64{0, 1000}, []float64{0, 1})
	if err != nil || math.Abs(f.At(2000)-2) > 1e-12 {
		t.Errorf("two points: %+v, %v", f, err)
	}
}

// Shifting and stretching the points shifts and stretches the line.
func TestFitMovesWithItsPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 30).Draw(t, "n")
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = float64(i) + rapid.Float64Range(0, 0.9).Draw(t, "x")
			y[i] = rapid.Float64Range(-5, 5).Draw(t, "y")
		}
		f, err := FitLine(x, y)
		if err != nil {
			t.Fatal(err)
		}
		shift, stretch := rapid.Float64Range(-1e5, 1e5).Draw(t, "shift"), rapid.Float64Range(0.1, 1000).Draw(t, "stretch")
		moved := make([]float64, n)
		for i := range x {
			moved[i] = shift + stretch*x[i]
		}
		g, err := FitLine(moved, y)
		if err != nil {
			t.Fatal(err)
		}
		at := rapid.Float64Range(-10, 100).Draw(t, "at")
		if a, b := f.At(at), g.At(shift+stretch*at); math.Abs(a-b) > 1e-6*(1+math.Abs(a)) {
			t.Fatalf("%g became %g", a, b)
		}
		if a, b := f.ResidualSD, g.ResidualSD; math.Abs(a-b) > 1e-8*(1+a) {
			t.Fatalf("residual SD %g became %g", a, b)
		}
	})
}
