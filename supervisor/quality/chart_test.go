package quality_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"beltwarden/supervisor/quality"
)

// The base is the first values in control: one far out is left out, named, and another taken in its place.
func TestBaseIsInControl(t *testing.T) {
	values := []float64{20.00, 20.02, 19.99, 20.01, 25.00, 20.00, 20.02, 19.99, 20.01, 20.00, 20.50}
	c, err := quality.Judge(values, 8, quality.TextbookSettings())
	if err != nil {
		t.Fatal(err)
	}
	if want := []int64{0, 1, 2, 3, 5, 6, 7, 8}; !slices.Equal(c.Base, want) {
		t.Errorf("base %v, want %v", c.Base, want)
	}
	// By hand: ranges 2 3 2 1 2 3 2 hundredths, mean 15/7; times 3/d2 is 5.697 hundredths to either side of 20.005.
	if math.Abs(c.UCL-20.06197) > 1e-5 || math.Abs(c.LCL-19.94803) > 1e-5 {
		t.Errorf("limits %g to %g", c.LCL, c.UCL)
	}
	var at []int64
	for _, s := range c.Signals {
		if s.Rule == quality.Beyond3 {
			at = append(at, s.Index)
		}
	}
	if !slices.Equal(at, []int64{4, 10}) {
		t.Errorf("out of the limits are %v", at)
	}
	if _, err := quality.Judge([]float64{1, 2, 1, 2, 1, 2, 1, 90}, 8, quality.TextbookSettings()); !errors.Is(err, quality.ErrFew) {
		t.Errorf("a base that cannot be filled: %v", err)
	}
}

// A change of level is named once, from its first value on, however often it gives a signal; the way
// back and another change are changes of their own. Of drawn runs, some few see chance for a change.
func TestAShiftIsNamedOnce(t *testing.T) {
	const runs = 300
	off, twice, inWindow := 0, 0, 0
	for k := range runs {
		r := rand.New(rand.NewPCG(5, uint64(k)))
		var values []float64
		add := func(n int, mean float64) {
			for range n {
				values = append(values, mean+0.02*r.NormFloat64())
			}
		}
		add(45, 20)
		add(60, 20.06)
		add(40, 20)
		add(30, 19.92)
		c, err := quality.Judge(append(values, 20), 20, quality.TextbookSettings())
		if err != nil {
			continue
		}
		count := func(list []quality.Shift, from, to int64, by float64) (n, near int) {
			for _, s := range list {
				if s.From >= from && s.From < to && math.Signbit(s.By) == math.Signbit(by) {
					n++
					if abs(s.From-from-4) <= 6 && math.Abs(s.By-by) < 0.025 {
						near++
					}
				}
			}
			return n, near
		}
		shifts := quality.Shifts(c.Signals, values, 0, c.Limits)
		first, nearFirst := count(shifts, 41, 105, 0.06)
		second, nearSecond := count(shifts, 141, 175, -0.08)
		if nearFirst == 0 || nearSecond == 0 {
			off++
		}
		if first > 1 || second > 1 {
			twice++
		}
		// Seen through a window that begins within the first of them.
		if n, _ := count(quality.Shifts(c.Signals, values[60:], 60, c.Limits), 60, 105, 0.06); n != 1 {
			inWindow++
		}
	}
	t.Logf("of %d: %d not found or misplaced, %d named twice, %d not once in a window", runs, off, twice, inWindow)
	if off > runs/10 || twice > runs/20 || inWindow > runs/20 {
		t.Errorf("of %d: %d not found or misplaced, %d named twice, %d not once in a window", runs, off, twice, inWindow)
	}
}

func abs(n int64) int64 { return max(n, -n) }

// What the base costs, by drawn runs: how many values until the rule of three standard deviations
// speaks, by known limits (published: 370.3983 without a change, Champ and Woodall 1987; 43.89, 6.30 and
// 2.00 for changes by one, two and three, 1/(Phi(d-3)+Phi(-d-3))), and by limits from the first 20. MEASURE=1 prints it.
func TestRunLengthsByTheFirstTwenty(t *testing.T) {
	const most = 5_000
	runs := 400
	if os.Getenv("MEASURE") != "" {
		runs = 20_000
	}
	s := quality.TextbookSettings()
	for _, d := range []struct{ by, want float64 }{{0, 370.3983}, {1, 43.8948}, {2, 6.3030}, {3, 2.0000}} {
		known, learned := 0.0, make([]float64, 0, runs)
		for k := range runs {
			r := rand.New(rand.NewPCG(uint64(k), 77))
			base := make([]float64, 20)
			for i := range base {
				base[i] = r.NormFloat64()
			}
			c, err := quality.Judge(append(base, 0, 0, 0, 0), 20, s) // room for what is left out
			if err != nil {
				continue
			}
			until := func(l quality.Limits) float64 {
				for n := 1; ; n++ {
					if v := r.NormFloat64() + d.by; v > l.UCL || v < l.LCL || n == most {
						return float64(n)
					}
				}
			}
			known += until(quality.Limits{UCL: 3, LCL: -3}) / float64(runs)
			learned = append(learned, until(c.Limits))
		}
		slices.Sort(learned)
		sum := 0.0
		for _, n := range learned {
			sum += n
		}
		mean, median := sum/float64(len(learned)), learned[len(learned)/2]
		within := 0
		for _, n := range learned {
			if n <= 20 {
				within++
			}
		}
		if os.Getenv("MEASURE") != "" {
			fmt.Printf("change by %g: known limits %.1f values (published %.1f); from the first 20: mean %.1f, median %.0f, %.1f %% within 20 values\n", d.by, known, d.want, mean, median, 100*float64(within)/float64(len(learned)))
		}
		near(t, fmt.Sprintf("mean run length after a change by %g", d.by), known, d.want, 4*d.want/math.Sqrt(float64(runs)))
		// The median by limits from 20 values is no shorter than half of what known limits give: a false alarm is no commoner than that.
		if d.by == 0 && median < 0.5*math.Ln2*d.want {
			t.Errorf("in control, half of the charts speak within %g values", median)
		}
		if d.by == 3 && mean > 3*d.want {
			t.Errorf("a change by 3 is found after %g values", mean)
		}
	}
}
