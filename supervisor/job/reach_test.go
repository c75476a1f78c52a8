package job

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The parts made before stand one pitch apart on the side of smaller coordinates
// (of larger ones where the belt's coordinate falls on the way to the drop edge).
// A nozzle that goes there must be above them, or they must lie further away.
func TestPitchKeepsLowTravelOffThePartBefore(t *testing.T) {
	const part = "G1 X30 Y50 Z0.2\nG1 X40 Y60 E6\nG1 Z5\nG1 X30 Y50 E7\n"
	begin := start[:len(start)-len("G1 X5 Y5 Z0.2 F3000\n")] + "G1 X30 Y50 Z0.2 F3000\n"
	for name, r := range map[string]struct {
		text    string
		forward int
		pitch   float64
	}{
		"nothing beyond":           {begin + part + "M104 S0", 1, 20},
		"low beyond":               {begin + marked(part+"G1 Z1\nG1 Y35\nG1 Y50\n") + "M104 S0", 1, 35},
		"low beyond, at the top":   {begin + marked(part+"G1 Z5 Y35\n") + "M104 S0", 1, 35},
		"above":                    {begin + marked(part+"G1 Z5.2\nG1 Y35\n") + "M104 S0", 1, 20},
		"above then, not later":    {begin + "G1 X40 Y60 E6\nG1 Z4\nG1 Y35\nG1 Y50\nG1 Z5\nG1 Y60 E7\nM104 S0", 1, 35},
		"beyond on the other side": {begin + marked(part+"G1 Y90\nG1 Y50\n") + "M104 S0", 1, 20},
		"other direction":          {begin + marked(part+"G1 Y90\n") + "M104 S0", -1, 50},
		"the first move's start":   {start + ";beltwarden body begin\n" + part + ";beltwarden body end\nM104 S0", 1, 65},
		"a high start":             {start + "G1 Z6\n;beltwarden body begin\nG1 X30 Y50\n" + part + "G1 Z6\nG1 Y5\n;beltwarden body end\nM104 S0", 1, 20},
	} {
		o := upright
		o.Forward = r.forward
		p, err := inspectText(t, r.text, o)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if math.Abs(p.PitchMM-r.pitch) > 1e-9 {
			t.Errorf("%s: pitch %.3f mm, want %.3f (%+v)", name, p.PitchMM, r.pitch, p.Findings)
		}
		if over := r.pitch > 20; over != hasCode(p.Findings, "low-travel") {
			t.Errorf("%s: findings %+v", name, p.Findings)
		}
	}
}

// Against the plainest way: keep every move, and look when the height is known.
func TestReachIsNeverTooShort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var r reach
		type move struct{ along, height float64 }
		var all []move
		top := math.Inf(-1)
		small := rapid.Bool().Draw(t, "few places") // then nothing is merged, and the answer is exact
		span := 60
		if small {
			span = 6
		}
		for range rapid.IntRange(1, 60).Draw(t, "moves") {
			m := move{float64(rapid.IntRange(0, span).Draw(t, "along")), float64(rapid.IntRange(0, 60).Draw(t, "height"))}
			all = append(all, m)
			if rapid.IntRange(0, 3).Draw(t, "extrudes") == 0 {
				top = math.Max(top, m.height)
			}
			r.move(m.along, m.height, top)
		}
		want := math.Inf(1)
		for _, m := range all {
			if m.height <= top {
				want = math.Min(want, m.along)
			}
		}
		if r.backMM > want || small && r.backMM != want {
			t.Fatalf("%v, want %v for %v up to %v", r.backMM, want, all, top)
		}
	})
}

func TestBeltCarriedOnIsThePitch(t *testing.T) {
	p, err := inspectText(t, start+marked("G1 X6 E5\nG1 Z9\nG1 Y80\n")+"M104 S0\nM140 S0", upright)
	if err != nil || !hasCode(p.Findings, "belt-carried-on") || p.PitchMM != p.BeltAdvanceMM || p.BeltAdvanceMM != 75 {
		t.Errorf("%v, findings %+v", err, p.Findings)
	}
}

// marked is a body that the file marks, with all its moves.
func marked(body string) string {
	return ";beltwarden body begin\n" + body + ";beltwarden body end\n"
}
