package chart

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// placesOf returns the y, or x, of texts that a drawing writes.
func placesOf(t *testing.T, svg, axis string, texts ...string) (list []float64) {
	t.Helper()
	for _, text := range texts {
		m := regexp.MustCompile(`<text [^>]*\b` + axis + `="([^"]*)"[^>]*>` + regexp.QuoteMeta(text) + `<`).FindStringSubmatch(svg)
		if m == nil {
			t.Fatalf("there is no %q in %s", text, svg)
		}
		v, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, v)
	}
	return list
}

// Names of levels that lie close together can be read, in the order of the levels.
func TestLimitsThatLieClose(t *testing.T) {
	d := New(480, 260, "t", "d")
	d.Plot(Box{W: 480, H: 260}, Plot{Series: []Series{{Class: "chart-first", Samples: []Sample{{0, 1, 1}, {9, 2, 2}}}}, Limits: []Limit{
		{Name: "a", Class: "chart-second", At: 1.52}, {Name: "b", Class: "chart-thin", At: 1.5}, {Name: "c", Class: "chart-second", At: 1.48}, {Name: "d", Class: "chart-thin", At: 1.5}, {Name: "e", Class: "chart-thin", At: math.NaN()}}})
	svg := d.Fragment()
	y := placesOf(t, svg, "y", "a", "b", "d", "c")
	for i := 1; i < len(y); i++ {
		if y[i]-y[i-1] < minNameGapPX-0.02 {
			t.Errorf("names are %g px apart: %v", y[i]-y[i-1], y)
		}
	}
	if strings.Contains(svg, ">e<") {
		t.Error("a level that is no number has a name")
	}
}

func TestSpreadProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		places := rapid.SliceOfN(rapid.Float64Range(0, 200), 0, 8).Draw(t, "places")
		slices.Sort(places)
		out := spread(places, 0, 200)
		if len(out) != len(places) {
			t.Fatal("a name is lost")
		}
		for i, y := range out {
			if y < -1e-6 || y > 200+1e-6 { // eight of them have room
				t.Fatalf("%g is outside: %v", y, out)
			}
			if i > 0 && y-out[i-1] < minNameGapPX-1e-6 {
				t.Fatalf("%v lie upon each other", out)
			}
		}
		if roomy(places) && slices.ContainsFunc(out, func(y float64) bool {
			return !slices.ContainsFunc(places, func(p float64) bool { return math.Abs(p-y) < 1e-6 })
		}) {
			t.Fatalf("%v had room, and became %v", places, out)
		}
	})
}

func roomy(places []float64) bool {
	for i := 1; i < len(places); i++ {
		if places[i]-places[i-1] < minNameGapPX {
			return false
		}
	}
	return true
}

// What happened is drawn where it did; a name that would cover another stands a row higher.
func TestMarks(t *testing.T) {
	d := New(480, 260, "t", "d")
	d.Plot(Box{W: 480, H: 260}, Plot{Series: []Series{{Class: "chart-first", Samples: []Sample{{0, 1, 1}, {100, 2, 2}}}},
		Marks: []Mark{{Name: "first", Class: "chart-dots", At: 20}, {Name: "second", Class: "chart-dots", At: 21}, {Name: "last", Class: "chart-dots", At: 100}, {Name: "outside", Class: "chart-dots", At: 101}}})
	svg := d.Fragment()
	if n := strings.Count(svg, `<line class="chart-dots"`); n != 3 {
		t.Errorf("%d marks are drawn", n)
	}
	if strings.Contains(svg, ">outside<") {
		t.Error(svg)
	}
	if y := placesOf(t, svg, "y", "first", "second", "last"); y[0] != y[2] || y[0]-y[1] != minNameGapPX {
		t.Errorf("the names stand at %v", y)
	}
	if x := placesOf(t, svg, "x", "last")[0]; x+TextWidth("last") > 480 {
		t.Errorf("the last name reaches out, from %g", x)
	}
}

// An axis that counts things has no tick between two, and its last tick stays within.
func TestWholeAxis(t *testing.T) {
	for _, n := range []float64{2, 3, 7, 40, 10000} {
		d := New(480, 260, "t", "d")
		d.Plot(Box{W: 480, H: 260}, Plot{Whole: true, Series: []Series{{Class: "chart-first", Sign: Dot, Samples: []Sample{{1, 10, 10}, {n, 20, 20}}}}})
		svg := d.Fragment()
		for _, m := range regexp.MustCompile(`<text class="chart-soft" x="([^"]*)" y="[^"]*" text-anchor="middle">([^<]*)<`).FindAllStringSubmatch(svg, -1) {
			x, _ := strconv.ParseFloat(m[1], 64)
			if v, err := strconv.Atoi(m[2]); err != nil || x+TextWidth(m[2])/2 > 480 {
				t.Errorf("to %g: tick %q (%d) at %g", n, m[2], v, x)
			}
		}
		if strings.Count(svg, "<circle") != 2 {
			t.Errorf("to %g: the samples have no dots", n)
		}
	}
}

// Dots are left out where there are too many to be distinguished.
func TestManyDots(t *testing.T) {
	var many []Sample
	for i := range 5000 {
		many = append(many, Sample{float64(i), 1, 1})
	}
	d := New(480, 260, "t", "d")
	d.Plot(Box{W: 480, H: 260}, Plot{XSpan: [2]float64{-100, 6000}, Series: []Series{{Class: "chart-first", Sign: Dot, Samples: many}}})
	svg := d.Fragment()
	if strings.Contains(svg, "<circle") || len(svg) > 20000 {
		t.Errorf("%d bytes", len(svg))
	}
	if !strings.Contains(svg, ">6000<") {
		t.Error("the axis does not reach where it should")
	}
}

// Bars are as long as what they stand for, from one line, and never without words.
func TestBars(t *testing.T) {
	d := New(480, 200, "t", "d")
	d.Bars(Box{X: 4, Y: 6, W: 472}, []Bar{{"making", "chart-part", 100, "100 s"}, {"held", "chart-made", 25, "25 s"}, {"none", "chart-made", 0, "0 s"}, {"odd", "chart-made", math.NaN(), "?"}, {"under", "chart-made", -5, "-5 s"}})
	svg := d.Fragment()
	wide := map[string]float64{}
	for _, m := range regexp.MustCompile(`<rect class="(chart-part|chart-made)" x="([^"]*)" y="[^"]*" width="([^"]*)"`).FindAllStringSubmatch(svg, -1) {
		wide[m[1]], _ = strconv.ParseFloat(m[3], 64)
	}
	if len(wide) != 2 || math.Abs(wide["chart-part"]-4*wide["chart-made"]) > 0.05 {
		t.Errorf("%v", wide)
	}
	for _, text := range []string{"making", "held", "none", "odd", "under", "100 s", "25 s", "0 s", "?", "-5 s"} {
		x := placesOf(t, svg, "x", text)[0]
		if x < 0 || x > 476 {
			t.Errorf("%q stands at %g", text, x)
		}
	}
	d = New(480, 200, "t", "d")
	d.Bars(Box{W: 50}, []Bar{{"a name too long", "chart-part", 1, "1"}})
	d.Bars(Box{W: 480}, []Bar{{"nothing", "chart-part", 0, "0"}})
	if strings.Contains(d.Fragment(), "chart-part") {
		t.Error("bars were drawn without room or without anything to compare")
	}
}
