package chart

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Parts are counted as they would be by pushing them one by one: a part lies on the
// belt until its rear end is at the edge.
func TestFinishedByPushing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Whole tenths keep rounding out of the question.
		mm := func(name string, lo, hi int) float64 { return float64(rapid.IntRange(lo, hi).Draw(t, name)) / 10 }
		v := &BeltView{ToDropMM: mm("to drop", 1, 5000), RearMM: mm("rear", -3000, 1000), PitchMM: mm("pitch", 10, 2000)}
		v.FrontMM = v.RearMM + mm("length", 1, 900)
		n := 0
		for rear := math.Round((v.RearMM + v.PitchMM) * 10); rear < math.Round(v.ToDropMM*10); rear += math.Round(v.PitchMM * 10) {
			n++
		}
		if got := v.Finished(); got != n {
			t.Fatalf("%d finished parts, by pushing %d: %+v", got, n, *v)
		}
	})
}

var rects = regexp.MustCompile(`<rect class="(chart-part|chart-made)" x="(-?[\d.]+)" y="(-?[\d.]+)" width="([\d.]+)" height="([\d.]+)"`)

// What is drawn is to scale: the drawn pitch, length and width have the ratio that
// they have on the belt, and the scale bar agrees.
func TestBeltIsToScale(t *testing.T) {
	v := &BeltView{ToDropMM: 250, RearMM: -34, FrontMM: 0, LowXMM: 100, HighXMM: 122, PitchMM: 44}
	d := New(560, 600, "t", "d")
	d.Belt(Box{W: 560}, v)
	out := d.Fragment()
	var box [][4]float64
	for _, m := range rects.FindAllStringSubmatch(out, -1) {
		var b [4]float64
		for i := range b {
			b[i], _ = strconv.ParseFloat(m[2+i], 64)
		}
		box = append(box, b)
	}
	if len(box) != 6+1+2 { // finished, the part, and their signs in the legend
		t.Fatalf("%d parts drawn", len(box))
	}
	part := box[6]
	if math.Abs(part[2]/part[3]-34.0/22) > 0.002 {
		t.Errorf("the footprint is drawn %g by %g px", part[2], part[3])
	}
	px := part[2] / 34
	if got := (box[0][0] - part[0]) / px; math.Abs(got-44) > 0.1 {
		t.Errorf("the pitch is drawn as %.2f mm", got)
	}
	bar := regexp.MustCompile(`d="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)L([\d.]+) [\d.]+L[\d.]+ [\d.]+"/>\s*<text[^>]*>scale: (\d+) mm`).FindStringSubmatch(out)
	if bar == nil {
		t.Fatal("no scale bar")
	}
	x0, _ := strconv.ParseFloat(bar[3], 64)
	x1, _ := strconv.ParseFloat(bar[5], 64)
	mm, _ := strconv.ParseFloat(bar[6], 64)
	if math.Abs((x1-x0)/px-mm) > 0.1 {
		t.Errorf("the scale bar of %g mm is %.2f mm long", mm, (x1-x0)/px)
	}
}

// Any belt can be drawn: well formed, nothing outside the picture, bounded in size.
func TestAnyBelt(t *testing.T) {
	number := regexp.MustCompile(`(?:x|x1|x2|cx)="(-?[\d.]+)"`)
	rapid.Check(t, func(t *rapid.T) {
		mm := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		v := &BeltView{ToDropMM: mm("to drop", 1, 5000), RearMM: mm("rear", -3000, 1000), LowXMM: mm("low", -100, 300),
			PitchMM: mm("pitch", 0.1, 4000), HighXUp: rapid.Bool().Draw(t, "up")}
		v.FrontMM, v.HighXMM = v.RearMM+mm("length", 0, 3000), v.LowXMM+mm("width", 0, 400)
		if rapid.Bool().Draw(t, "seam") {
			v.SeamMM = mm("seam width", 1, 100)
		}
		for range rapid.IntRange(0, 4).Draw(t, "steps") {
			v.Head = append(v.Head, HeadStep{mm("above", 0, 200), mm("front", 0, 200), mm("behind", 0, 400)})
		}
		d := New(560, 900, "t", "d")
		h := d.Belt(Box{W: 560}, v)
		out := d.Fragment()
		wellFormed(t, out)
		apart(t, boxes(t, out))
		if h > 800 || len(out) > 600_000 {
			t.Fatalf("%g px high, %d bytes", h, len(out))
		}
		for _, m := range number.FindAllStringSubmatch(out, -1) {
			if x, _ := strconv.ParseFloat(m[1], 64); x < 0 || x > 560 {
				t.Fatalf("a mark at x = %g px: %+v", x, *v)
			}
		}
	})
}

// Each step of the head has in the legend the dash that it has on the belt.
func TestHeadStepsHaveTheirSigns(t *testing.T) {
	d := New(560, 900, "t", "d")
	d.Belt(Box{W: 560}, &BeltView{ToDropMM: 250, RearMM: -34, HighXMM: 20, PitchMM: 44, Head: []HeadStep{{8, 30, 45}, {9, 50, 60}, {40, 60, 70}}})
	for i := range 3 {
		if n := strings.Count(d.Fragment(), `class="`+headClass(i)+`"`); n != 2 {
			t.Errorf("the dash of step %d is drawn %d times, not on the belt and in the legend", i, n)
		}
	}
}

// Words say what the picture cannot: an over-long part, missing and many parts.
func TestLegend(t *testing.T) {
	for _, c := range []struct {
		v    BeltView
		want []string
	}{
		{BeltView{ToDropMM: 250, RearMM: -600, HighXMM: 9, PitchMM: 610, AheadMM: 600}, []string{"1 finished part on the belt", "reaches 350.0 mm beyond the drop edge", "pitch 610.0 mm", "free belt 10.0 mm"}},
		{BeltView{ToDropMM: 250, RearMM: 200, FrontMM: 240, HighXMM: 9, PitchMM: 60}, []string{"no finished part"}},
		{BeltView{ToDropMM: 5000, RearMM: -1, HighXMM: 1, PitchMM: 2}, []string{"2500 finished parts on the belt as the cycle begins, 200 drawn"}},
		{BeltView{ToDropMM: 250, RearMM: -1, HighXMM: 1, PitchMM: 20, SeamMM: 12}, []string{"seam, 12.0 mm"}},
		{BeltView{ToDropMM: 250, RearMM: math.Inf(-1), PitchMM: 20}, []string{"no extent"}},
		{BeltView{RearMM: -20, HighXMM: 9, PitchMM: 30}, []string{"drop edge lies is not known", "pitch of 30.0 mm"}},
	} {
		d := New(560, 900, "t", "d")
		d.Belt(Box{W: 560}, &c.v)
		text := strings.Join(strings.Fields(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(d.Fragment(), " ")), " ")
		for _, w := range c.want {
			if !strings.Contains(text, w) {
				t.Errorf("%q is missing in %s", w, text)
			}
		}
	}
}
