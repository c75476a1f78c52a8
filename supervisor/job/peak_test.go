package job

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltwarden/supervisor/motion"
)

// What a job asks of each axis, by hand: F6000 is 100 mm/s along the path, of which a
// 3-4-5 triangle gives X 60 and Y 80; M204 P2000 gives them 1200 and 1600 mm/s². The
// quarter circle at F9000 has all 150 mm/s in either axis somewhere.
func TestPeaks(t *testing.T) {
	const lines = "G21\nG90\nM83\nG28 X Z\nG92 Y0 E0\nM104 S200\nG1 Z0.2 F300\nM204 P2000 T1000 R3000\n" +
		"G1 X30 Y40 E5 F6000\nG1 E-2 F2400\nG1 E2\nG1 X60 Y0 E5 F6000\nM104 S0\n"
	for _, c := range []struct {
		name, lines  string
		limits       motion.Limits
		speed, accel Peak
		codes        map[string]int
		remedy, text string
	}{
		{"nothing known", lines, motion.Limits{}, Peak{60, 80, 0, 40}, Peak{1200, 1600, 0, 3000}, nil, "", ""},
		{"within", lines, motion.Limits{SpeedMMPerS: [4]float64{60, 80, 5, 40}, AccelMMPerS2: [4]float64{1200, 1600, 100, 3000}},
			Peak{60, 80, 0, 40}, Peak{1200, 1600, 0, 3000}, nil, "", ""},
		{"above", lines, motion.Limits{SpeedMMPerS: [4]float64{50, 80, 5, 30}, AccelMMPerS2: [4]float64{1200, 500, 100, 9000}},
			Peak{60, 80, 0, 40}, Peak{1200, 1600, 0, 3000}, map[string]int{"speed-clipped": 2, "acceleration-clipped": 1},
			"nothing to do", "axis Y: the job demands 1600 mm/s²; the board allows 500"},
		{"raised by the job", strings.Replace(lines, "M204", "M203 X500\nM204", 1), motion.Limits{SpeedMMPerS: [4]float64{50}},
			Peak{60, 80, 0, 40}, Peak{1200, 1600, 0, 3000}, map[string]int{"speed-clipped": 1},
			"take M203 out of the job", "axis X: the job demands 60 mm/s; the board allows 50"},
		{"arc", strings.Replace(lines, "G1 X60 Y0 E5 F6000", "G3 X20 Y50 I-10 J0 E1 F9000", 1), motion.Limits{},
			Peak{150, 150, 0, 40}, Peak{2000, 2000, 0, 3000}, nil, "", ""},
	} {
		path := filepath.Join(t.TempDir(), "clip.gcode")
		if err := os.WriteFile(path, []byte(c.lines), 0o600); err != nil {
			t.Fatal(err)
		}
		o := upright
		o.Motion = c.limits
		p, err := Inspect(context.Background(), path, o, nil)
		if err != nil {
			t.Fatal(err)
		}
		same := func(what string, got, want Peak) {
			d := math.Abs(got.X-want.X) + math.Abs(got.Y-want.Y) + math.Abs(got.Z-want.Z) + math.Abs(got.E-want.E)
			if !(d < 0.01*(1+want.X)) {
				t.Errorf("%s: peak %s %+v, want %+v", c.name, what, got, want)
			}
		}
		same("speed", p.PeakSpeedMMPerS, c.speed)
		same("acceleration", p.PeakAccelMMPerS2, c.accel)
		found := map[string]int{}
		all := ""
		for _, f := range p.Findings {
			if strings.HasSuffix(f.Code, "-clipped") {
				found[f.Code]++
				all += f.Text + "\n"
				if f.Severity != Info || !strings.HasPrefix(f.Remedy, c.remedy) {
					t.Errorf("%s: %+v", c.name, f)
				}
			}
		}
		if len(found) != len(c.codes) || found["speed-clipped"] != c.codes["speed-clipped"] ||
			found["acceleration-clipped"] != c.codes["acceleration-clipped"] || !strings.Contains(all, c.text) {
			t.Errorf("%s: found %v, want %v\n%s", c.name, found, c.codes, all)
		}
	}
}
