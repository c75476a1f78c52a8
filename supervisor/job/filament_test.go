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

// TestFilamentOfTheFile: the file's own diameter and density count, and a difference from the configuration is reported.
func TestFilamentOfTheFile(t *testing.T) {
	for comment, c := range map[string]struct {
		diameterMM, density float64
		codes               string
	}{
		"":                                  {1.75, 1.24, ""},
		"; filament_diameter = 1.75":        {1.75, 1.24, ""},
		"; filament_diameter = 2.85,2.85":   {2.85, 1.24, "filament-diameter"},
		";Filament diameter (mm): 2.85":     {2.85, 1.24, "filament-diameter"},
		"; filament_density: 1.04,1.27":     {1.75, 1.04, "filament-density"},
		"; Filament density [g/cm3] = 1.27": {1.75, 1.27, "filament-density"},
		"; material_diameter = 2.85\n; MATERIAL density=1.1\n; filament_density = 1.3": {2.85, 1.3, "filament-density filament-diameter"},
		"; filament_density = 0":                {1.75, 1.24, ""},
		"; filament_diameter = 175":             {1.75, 1.24, ""},
		"; filament used [mm] = 2.85":           {1.75, 1.24, ""},
		"; nozzle_diameter = 0.4":               {1.75, 1.24, ""},
		"; filament_max_volumetric_speed = 3":   {1.75, 1.24, ""},
		"; support material gap = 2.85 density": {1.75, 1.24, ""},
	} {
		for _, text := range []string{comment + "\n" + start + "G1 X6 E5\nG1 X7 E100\nM104 S0\n", start + "G1 X6 E5\nG1 X7 E100\nM104 S0\n" + comment + "\n"} {
			p, err := inspectText(t, text, upright)
			if err != nil {
				t.Fatalf("%s: %v", comment, err)
			}
			cm3 := p.FilamentMM * math.Pi * c.diameterMM * c.diameterMM / 4000
			if math.Abs(p.FilamentCM3-cm3) > 1e-9 || math.Abs(p.FilamentG-cm3*c.density) > 1e-9 {
				t.Errorf("%q: %v cm3, %v g, want %v and %v", comment, p.FilamentCM3, p.FilamentG, cm3, cm3*c.density)
			}
			var codes []string
			for _, f := range p.Findings {
				if strings.HasPrefix(f.Code, "filament-") {
					codes = append(codes, f.Code)
				}
			}
			if got := strings.Join(codes, " "); got != c.codes {
				t.Errorf("%q: found %q, want %q", comment, got, c.codes)
			}
		}
	}
}
