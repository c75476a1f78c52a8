package job

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Against the plainest way: run cycles of a body that moves the belt to and fro, and
// look after each move where every finished part is.
func TestDropsAgainstAllMoves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pitch := float64(rapid.IntRange(1, 60).Draw(t, "pitch"))
		body := rapid.SliceOfN(rapid.IntRange(-40, 90), 1, 6).Draw(t, "stops of the body")
		first := rapid.IntRange(0, len(body)-1).Draw(t, "last plastic at stop")
		trail := 0.0 // the trailing edge is the furthest stop with plastic
		for _, b := range body[:first+1] {
			trail = max(trail, float64(b))
		}
		toDrop := float64(rapid.IntRange(1, 300).Draw(t, "to drop"))
		forward, own := 0.0, float64(body[first])
		for k, b := range body {
			forward = max(forward, float64(b))
			if k >= first {
				own = max(own, float64(b))
			}
		}
		cycle, inBody, most := drops(pitch, forward, own, trail+toDrop)

		const cycles = 400
		dropped := make([]bool, cycles)
		wantCycle, wantBody, wantMost := 0, false, 0
		look := func(at float64, k int, finished int, during bool) {
			on := 0
			for j := range finished {
				if !dropped[j] {
					on++
				}
			}
			wantMost = max(wantMost, on)
			for j := range k + 1 { // the one being made falls too
				if (j < k || finished > k || during) && !dropped[j] && at-(float64(j)*pitch+trail) >= toDrop {
					dropped[j] = true
					if j == 0 {
						wantCycle, wantBody = k+1, finished <= k
					}
				}
			}
		}
		for k := range cycles {
			start := float64(k) * pitch
			for n, b := range body {
				look(start+float64(b), k, k, n >= first)
			}
			look(start+float64(body[len(body)-1]), k, k+1, true)
			look(start+pitch, k, k+1, true)
		}
		if cycle != wantCycle || inBody != wantBody || most != wantMost {
			t.Fatalf("cycle %d, in body %v, %d parts; want %d, %v, %d", cycle, inBody, most, wantCycle, wantBody, wantMost)
		}
	})
}

// A clip of 10 by 10 mm and 5 mm high; the head 4 mm above the nozzle reaches 30 mm
// to the front and 6 mm above it 60 mm, which passes over the clips.
func TestHeadAsksForPitch(t *testing.T) {
	text := start + ";beltwarden body begin\nG1 X5 Y5 Z0.2\nG1 X15 Y15 E6\nG1 Z5\nG1 X5 Y5 E7\n;beltwarden body end\nM104 S0\nM140 S0\n"
	for name, r := range map[string]struct {
		head  []HeadStep
		pitch float64
	}{
		"nozzle alone":     {nil, 20},
		"both steps":       {[]HeadStep{{4, 30, 10}, {6, 60, 10}}, 50},
		"just as high":     {[]HeadStep{{5, 30, 10}}, 20}, // at Z0 it would be 5; the part begins at 0.2
		"a shade below it": {[]HeadStep{{4.8, 30, 10}}, 50},
		"far above":        {[]HeadStep{{40, 90, 10}}, 20},
	} {
		o := upright
		o.Head = r.head
		p, err := inspectText(t, text, o)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(p.PitchMM-r.pitch) > 1e-9 || p.Placing.LeastPitchMM != p.PitchMM || p.Blocked() {
			t.Errorf("%s: pitch %.3f mm, want %.3f: %s, %+v", name, p.PitchMM, r.pitch, p.Placing.PitchWhy, p.Findings)
		}
		if r.pitch == 20 {
			continue
		}
		o.PitchMM = 45
		if p, err = inspectText(t, text, o); err != nil {
			t.Fatal(err)
		}
		f := byCode(p.Findings, "pitch-small")
		if f == nil || f.Severity != Error || !strings.Contains(f.Text, "5.00 mm less") || !strings.Contains(f.Text, "reaches 30 mm") {
			t.Errorf("%s: %+v", name, p.Findings)
		}
	}
}

func byCode(list []Finding, code string) *Finding {
	for k := range list {
		if list[k].Code == code {
			return &list[k]
		}
	}
	return nil
}

// The part is printed from Y5 to Y45 and the belt comes back to Y5 with it: 40 mm lie
// behind the nozzle and 40 ahead of it. Afterwards it goes on to Y65, 60 mm ahead, and ends one pitch ahead.
const longPart = start + ";beltwarden body begin\nG1 X5 Y5 Z0.2\nG1 X15 Y45 E6\nG1 X5 Y5 E12\nG1 Y45 E18\nG1 Z20\nG1 Y65\nG1 Y55\n;beltwarden body end\nM104 S0\nM140 S0\n"

func TestPlacing(t *testing.T) {
	o := upright
	o.ToDropMM, o.BehindMM, o.LoopMM, o.SeamMM = 110, 60, 200, 8
	p, err := inspectText(t, longPart, o)
	if err != nil || p.Blocked() {
		t.Fatalf("%v %+v", err, p)
	}
	l := p.Placing
	near(t, "footprint", l.FootprintMM[1]-l.FootprintMM[0], 40, 1e-9)
	near(t, "height", l.HeightMM, 0.2, 1e-9)
	near(t, "width", l.WidthMM, 10, 1e-9)
	near(t, "behind", l.BehindNozzleMM, 40, 1e-9)
	near(t, "back", l.BackMM, 40, 1e-9)
	near(t, "ahead", l.AheadOfNozzleMM, 40, 1e-9)
	near(t, "pitch", p.PitchMM, 50, 1e-9)
	// The trailing edge is at 40 from the origin and must go on 110: 150 mm, which the
	// third discharge reaches, and before it the body of the third gets to 160.
	if p.PartsOnBelt != 2 || l.FirstDropCycle != 3 || !l.DropsWhilePrinting {
		t.Errorf("%d parts on the belt, drop in cycle %d, %v", p.PartsOnBelt, l.FirstDropCycle, l.DropsWhilePrinting)
	}
	if s := l.Seam; s == nil || !s.Fits || s.PartsPerLoop != 4 || s.LongestExtraMM != 48 { // 152 mm of room
		t.Errorf("seam %+v", s)
	}
	near(t, "top of the travel", p.TravelExtentMM.Z[1], 20, 1e-9)
	near(t, "gross filament", p.FilamentGrossMM, p.FilamentMM, 1e-9)
	raw, err := p.MarshalJSON()
	if err != nil || !strings.Contains(string(raw), `"parts_on_belt":2`) || !strings.Contains(string(raw), `"longest_extra_advance_mm":48`) {
		t.Errorf("%v %s", err, raw)
	}
}

func TestPlacingFindings(t *testing.T) {
	for code, r := range map[string]struct {
		alter    func(*Options)
		severity Severity
		numbers  []string
	}{
		"reversal":        {func(o *Options) { o.BehindMM = 39.5 }, Error, []string{"40.00", "39.50"}},
		"over-edge":       {func(o *Options) { o.ToDropMM = 39 }, Error, []string{"40.00", "39.00"}},
		"over-edge-after": {func(o *Options) { o.ToDropMM = 50 }, Warning, []string{"60.00", "50.00"}},
		"seam-fit":        {func(o *Options) { o.LoopMM, o.SeamMM = 100, 61 }, Error, []string{"40.00", "39.00"}},
		"spool-short":     {func(o *Options) { o.SpoolG = 0.01 }, Error, []string{"0.0 g"}},
		"belt-hold":       {func(o *Options) { o.Adhesion.Longest = 1e9 }, Warning, []string{"1s"}},
		"belt-hold ": {func(o *Options) {
			o.Adhesion = Adhesion{Longest: 3.6e12, LookedAt: 80, Detached: 20, UnknownTime: true}
		}, Warning, []string{"20 of 80 parts seen came off", "not shown to hold 95 of 100"}},
	} {
		code = strings.TrimSpace(code)
		o := upright
		o.ToDropMM, o.BehindMM = 300, 40
		p, err := inspectText(t, longPart, o)
		if err != nil || byCode(p.Findings, code) != nil {
			t.Errorf("%s: said without cause: %v %+v", code, err, p)
		}
		r.alter(&o)
		if p, err = inspectText(t, longPart, o); err != nil {
			t.Fatal(err)
		}
		f := byCode(p.Findings, code)
		if f == nil || f.Severity != r.severity || f.Remedy == "" {
			t.Errorf("%s: %+v", code, p.Findings)
			continue
		}
		for _, n := range r.numbers {
			if !strings.Contains(f.Text, n) {
				t.Errorf("%s: no %s in %q", code, n, f.Text)
			}
		}
	}
	p, err := inspectText(t, start+"G4 S5500\n"+"G1 X20 E9\nG4 S5500\nG1 X30 E12\nM104 S0\nM140 S0\n", upright)
	if err != nil || byCode(p.Findings, "belt-hold") == nil {
		t.Errorf("no word on a part that stays over an hour and a half: %v %+v", err, p)
	}
}
