package chart

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestLiveBeltIsToScale: part, distance to the drop edge and lateral offset have the same
// scale in the picture, along and across.
func TestLiveBeltIsToScale(t *testing.T) {
	offset := 2.0
	v := &LiveBelt{ToDropMM: 200, HighXMM: 100, HighXRight: true, OffsetMM: &offset, LimitMM: 3,
		Parts: []LivePart{{RearMM: 100, FrontMM: 140, LowXMM: 30, HighXMM: 70}}}
	d := New(400, 0, "t", "d")
	d.Live(Box{W: 400}, v)
	text := d.Fragment()
	figures := func(pattern string) (list []float64) {
		for _, s := range regexp.MustCompile(pattern).FindStringSubmatch(text)[1:] {
			f, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, f)
		}
		return list
	}
	part := figures(`class="chart-made" x="([^"]*)" y="([^"]*)" width="([^"]*)" height="([^"]*)"`)
	nozzle := figures(`class="chart-line" x1="[^"]*" y1="([^"]*)"`)
	edge := figures(`class="chart-edge" x1="[^"]*" y1="([^"]*)"`)
	belt := figures(`class="chart-belt" x="([^"]*)" y="[^"]*" width="([^"]*)"`)
	scale := (edge[0] - nozzle[0]) / 200
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"the part's length", part[3] / scale, 40}, {"its width", part[2] / scale, 40}, {"its rear from the nozzle", (part[1] - nozzle[0]) / scale, 100},
		{"the belt's width", belt[1] / scale, 100}, {"its middle off the picture's", (belt[0] + belt[1]/2 - 200) / scale, 2},
		{"the part's middle on the belt", (part[0] + part[2]/2 - belt[0] - belt[1]/2) / scale, 0},
	} {
		if math.Abs(c.got-c.want) > 0.05 {
			t.Errorf("%s is %g mm, not %g", c.what, c.got, c.want)
		}
	}
	v.HighXRight, v.Parts[0].LowXMM, v.Parts[0].HighXMM = false, 0, 40
	d = New(400, 0, "t", "d")
	d.Live(Box{W: 400}, v)
	text = d.Fragment()
	part, belt = figures(`class="chart-made" x="([^"]*)" y="([^"]*)" width="([^"]*)"`), figures(`class="chart-belt" x="([^"]*)" y="[^"]*" width="([^"]*)"`)
	if got := (belt[0] + belt[1] - part[0] - part[2]) / scale; math.Abs(got) > 0.05 {
		t.Errorf("with greater X to the left, a part at the least X lies %g mm from the right side", got)
	}
}

// TestAnyLiveBelt: whatever the figures, the picture is well formed and bounded, and says in
// words what it shows.
func TestAnyLiveBelt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		any := func(name string) float64 {
			if rapid.IntRange(0, 20).Draw(t, name+" odd") == 0 {
				return rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e300, -1e300}).Draw(t, name)
			}
			return rapid.Float64Range(-500, 500).Draw(t, name)
		}
		v := &LiveBelt{ToDropMM: any("drop"), LowXMM: any("low"), HighXMM: any("high"), SeamMM: any("seam"), SeamDoubtMM: any("doubt"), LimitMM: any("limit")}
		if rapid.Bool().Draw(t, "seen") {
			at, off := any("seam at"), any("offset")
			v.SeamAheadMM, v.OffsetMM = &at, &off
		}
		for range rapid.IntRange(0, 120).Draw(t, "parts") {
			v.Parts = append(v.Parts, LivePart{RearMM: any("rear"), FrontMM: any("front"), LowXMM: any("x low"), HighXMM: any("x high"), State: PartState(rapid.IntRange(0, int(partStates)-1).Draw(t, "state")), Label: rapid.SampledFrom([]string{"", "part 7", "part 12345", "next"}).Draw(t, "label")})
		}
		d := New(400, 700, "t", v.Describe())
		high := d.Live(Box{W: 400}, v)
		text := d.Fragment()
		wellFormed(t, text)
		if !(high >= 0 && high < 2000) || len(text) > 200_000 || strings.Contains(text, "NaN") && !strings.Contains(v.Describe(), "NaN") {
			t.Fatalf("%g px high, %d bytes", high, len(text))
		}
		d = New(400, high+8, "t", "d")
		d.Live(Box{W: 400, Y: 4}, v)
		apart(t, boxes(t, d.Fragment()))
	})
}
