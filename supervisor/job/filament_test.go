package job

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// TestFilamentReference has jobs that push the lengths of a table through the nozzle,
// and holds volume and mass to the printed digits. A printed length stands for all that
// round to it, so it gives a range, which the printed volume's own range must meet.
func TestFilamentReference(t *testing.T) {
	f, err := os.Open("../../testdata/reference/filament.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, parts := 0, 0
	for sc := bufio.NewScanner(f); sc.Scan(); {
		if sc.Text() == "" || strings.HasPrefix(sc.Text(), "#") {
			continue
		}
		r := strings.Split(sc.Text(), "|")
		if len(r) != 8 || r[6] == "" || r[7] == "" {
			t.Fatalf("%q: %d fields, want 8 with source and status", sc.Text(), len(r))
		}
		rows++
		t.Run(r[0], func(t *testing.T) {
			length, lengthHalf := digits(t, r[3])
			if !strings.Contains(r[3], ".") {
				lengthHalf = 0 // worked examples of a whole length are of that very length
			}
			if strings.Contains(r[6], "table of printed parts") {
				parts++
			}
			o := upright
			o.FilamentDiameterMM, _ = digits(t, r[1])
			o.DensityGPerCM3, _ = digits(t, r[2])
			p, err := inspectText(t, fmt.Sprintf("%sG1 X6 E%.6f\nM104 S0\n", start, length), o)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "length", p.FilamentMM, length, 1e-6)
			area := p.FilamentCM3 * 1000 / p.FilamentMM
			if v, half := digits(t, r[4]); r[4] != "-" {
				near(t, "volume mm3", p.FilamentCM3*1000, v, half+lengthHalf*area)
			}
			if v, half := digits(t, r[5]); r[5] != "-" {
				near(t, "mass g", p.FilamentG, v, half+lengthHalf*area*o.DensityGPerCM3/1000)
			}
		})
	}
	if rows < 14 || parts != 3 {
		t.Errorf("%d rows, %d of printed parts", rows, parts)
	}
}

// digits reads a printed number and half a unit of its last digit, which is what it may
// be off by; lengths given in metres are on the grid of the digits printed there.
func digits(t *testing.T, text string) (v, half float64) {
	t.Helper()
	if text == "-" {
		return 0, 0
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(text, ".")
	return v, 0.5000001 * math.Pow10(-len(after))
}
