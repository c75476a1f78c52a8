package chart

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// wellFormed reads a drawing with the standard library's XML reader.
func wellFormed(t interface {
	Helper()
	Fatalf(string, ...any)
}, text string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(text))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatalf("not XML: %v in\n%.2000s", err, text)
		}
	}
}

// luminance is the relative luminance of WCAG 2.2 ("relative luminance", its
// definitions), of a colour #rrggbb.
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	v, err := strconv.ParseUint(strings.TrimPrefix(colour, "#"), 16, 32)
	if err != nil || len(colour) != 7 {
		t.Fatalf("%q is no colour", colour)
	}
	part := func(shift uint) float64 {
		c := float64(v>>shift&255) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

func contrast(t *testing.T, a, b string) float64 {
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// WCAG 2.2: text 4.5:1 (1.4.3), marks 3:1 (1.4.11), on whatever they lie on.
func TestContrast(t *testing.T) {
	// Black on white is 21:1 by the definition; #777777 on white is 4.48:1, the
	// widely quoted grey that just fails (value from memory).
	if c := contrast(t, "#000000", "#ffffff"); math.Abs(c-21) > 1e-9 {
		t.Fatalf("black on white is %.3f:1", c)
	}
	if c := contrast(t, "#777777", "#ffffff"); math.Abs(c-4.48) > 0.005 {
		t.Fatalf("grey on white is %.3f:1", c)
	}
	for name, c := range map[string]colours{"light": light, "dark": dark} {
		for _, on := range []string{c.ground, c.belt} {
			for _, text := range []string{c.ink, c.soft} {
				if got := contrast(t, text, on); got < 4.5 {
					t.Errorf("%s: text %s on %s is %.2f:1", name, text, on, got)
				}
			}
			for _, mark := range []string{c.first, c.second, c.third, c.soft, c.ink} {
				if got := contrast(t, mark, on); got < 3 {
					t.Errorf("%s: mark %s on %s is %.2f:1", name, mark, on, got)
				}
			}
		}
		for _, mark := range []string{c.first, c.second, c.ink} {
			if got := contrast(t, mark, c.firstPale); got < 3 {
				t.Errorf("%s: mark %s on the pale area is %.2f:1", name, mark, got)
			}
		}
	}
}

// Marks that differ in colour differ in dash or hatching too.
func TestDashesTellSeriesApart(t *testing.T) {
	if !regexp.MustCompile(`\.chart-second,[.a-z-]*\{stroke-dasharray`).MatchString(Style()) {
		t.Error("the second series has no dash")
	}
	if a, b, c := headClass(0), headClass(1), headClass(2); a == b || b == c || a == c {
		t.Error("steps of the head look alike")
	}
	for _, class := range []string{headClass(1), headClass(2)} {
		if own := strings.Fields(class)[1]; !strings.Contains(Style(), "."+own+"{stroke-dasharray") {
			t.Errorf("%s has no dash", own)
		}
	}
}

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		most   int
		want   []float64
	}{
		{0, 10, 6, []float64{0, 2, 4, 6, 8, 10}},
		{-7, 7, 4, []float64{-5, 0, 5}},
		{0, 0.09, 10, []float64{0, .01, .02, .03, .04, .05, .06, .07, .08, .09}},
		{3, 97, 3, []float64{50}},
		{1, 1, 5, nil}, {2, 1, 5, nil}, {0, math.Inf(1), 5, nil}, {math.NaN(), 1, 5, nil}, {0, 1, 1, nil},
		{1e18, 1e18 + 256, 5, nil},
	} {
		got := Ticks(c.lo, c.hi, c.most)
		for i := range got {
			got[i] = math.Round(got[i]*1e9) / 1e9
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("Ticks(%g, %g, %d) = %g, want %g", c.lo, c.hi, c.most, got, c.want)
		}
	}
}

// Any span has ticks that lie in it, no more than asked for, with labels that all
// differ and read back as the tick.
func TestTicksProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo := rapid.Float64Range(-1e6, 1e6).Draw(t, "lo")
		span := math.Pow(10, rapid.Float64Range(-3, 6).Draw(t, "decades"))
		most := rapid.IntRange(2, 12).Draw(t, "most")
		ticks := Ticks(lo, lo+span, most)
		if len(ticks) > most || most > 4 && len(ticks) < most/4 {
			t.Fatalf("%d ticks of at most %d", len(ticks), most)
		}
		var seen []string
		for _, v := range ticks {
			text := Label(v, tickStep(ticks))
			if v < lo-1e-6*span || v > lo+span*(1+1e-6) || slices.Contains(seen, text) && len(ticks) > 1 {
				t.Fatalf("tick %g (%s) of [%g, %g], after %v", v, text, lo, lo+span, seen)
			}
			if back, _ := strconv.ParseFloat(text, 64); len(ticks) > 1 && math.Abs(back-v) > 1e-6*math.Max(1, math.Abs(v)) {
				t.Fatalf("tick %g reads %s", v, text)
			}
			seen = append(seen, text)
		}
	})
}

func TestNoMinusZero(t *testing.T) {
	minus := math.Copysign(0, -1)
	for _, got := range []string{Label(minus, 1), Label(-0.0001, 0.1), Figure(-0.04, 1), num(-0.001), num(minus), num(math.NaN())} {
		if strings.Contains(got, "-") || strings.Contains(got, "N") {
			t.Errorf("%q", got)
		}
	}
	if got := Label(-0.2, 0.1); got != "-0.2" {
		t.Errorf("%q", got)
	}
	if got := num(math.Inf(1)); got != "1000000" {
		t.Errorf("infinity is %q", got)
	}
}

// However long the record, a plot stays small, and no extreme is lost.
func TestDecimate(t *testing.T) {
	var list []Sample
	for i := range 1_000_000 {
		v := math.Sin(float64(i))
		list = append(list, Sample{X: float64(i), Min: v, Max: v})
	}
	list[700_123].Max, list[3].Min = 9, -9
	list[5].Min = math.NaN()
	got := Decimate(list, 0, 999_999, 400)
	if len(got) != 400 {
		t.Errorf("%d samples for 400 columns", len(got))
	}
	lo, hi := 0.0, 0.0
	for _, s := range got {
		lo, hi = min(lo, s.Min), max(hi, s.Max)
	}
	if lo != -9 || hi != 9 {
		t.Errorf("extremes %g and %g, want -9 and 9", lo, hi)
	}
	d := New(560, 300, "t", "d")
	d.Plot(Box{W: 560, H: 300}, Plot{Series: []Series{{Name: "s", Class: "chart-first", Samples: list}}})
	if size := len(d.Standalone()); size > 60_000 {
		t.Errorf("a million samples take %d bytes", size)
	}
}

// Whatever a name holds, it stands in the picture as text.
func TestTextIsEscaped(t *testing.T) {
	bad := `</title><script>alert("1")</script>&'` + "\x00\x1b\xff"
	d := New(100, 100, bad, bad)
	d.Text("chart-text", Point{1, 2}, Start, bad)
	out := d.Standalone()
	wellFormed(t, out)
	if strings.Contains(out, "<script") || strings.ContainsAny(out, "\x00\x1b") {
		t.Error(out)
	}
}

// A fragment obeys a policy that allows no style but the served sheet, and says in
// words what it shows.
func TestFragment(t *testing.T) {
	d := New(100, 50, "short", "long")
	d.Rect("chart-part", Box{1, 2, 3, 4})
	out := d.Fragment()
	wellFormed(t, out)
	for _, forbidden := range []string{"<style", "style=", "<?xml", "id=", "url("} {
		if strings.Contains(out, forbidden) {
			t.Errorf("%s in a fragment", forbidden)
		}
	}
	for _, want := range []string{`role="img"`, `aria-label="short"`, "<title>short</title>", "<desc>long</desc>", `viewBox="0 0 100 50"`} {
		if !strings.Contains(out, want) {
			t.Errorf("%s is missing in %s", want, out)
		}
	}
	if alone := d.Standalone(); !strings.Contains(alone, "prefers-color-scheme:dark") || !strings.Contains(alone, `width="100"`) {
		t.Error("a file of its own has no style or no size")
	}
}

// Every class that is drawn with has a rule.
func TestClassesHaveRules(t *testing.T) {
	d := New(560, 900, "t", "d")
	d.Belt(Box{W: 560}, &BeltView{ToDropMM: 250, RearMM: -34, HighXMM: 20, PitchMM: 44, SeamMM: 20, Head: []HeadStep{{8, 30, 45}, {9, 9, 9}, {10, 9, 9}}})
	d.Plot(Box{Y: 500, W: 560, H: 300}, Plot{Series: []Series{{Name: "s", Class: "chart-first", Samples: []Sample{{0, 0, 1}, {1, 0, 2}}}}, Limits: []Limit{{Name: "limit", Class: "chart-second", At: 3}}})
	at := 5.0
	d.Live(Box{W: 560}, &LiveBelt{ToDropMM: 250, HighXMM: 100, SeamMM: 9, SeamAheadMM: &at, OffsetMM: &at, LimitMM: 3, Parts: []LivePart{{FrontMM: 20, State: Making}, {RearMM: 30, FrontMM: 60}}})
	for _, m := range regexp.MustCompile(`class="([^"]*)"`).FindAllStringSubmatch(d.Fragment(), -1) {
		for _, class := range strings.Fields(m[1]) {
			if !regexp.MustCompile(`\.` + class + `[,{]`).MatchString(Style()) {
				t.Errorf("class %s has no rule", class)
			}
		}
	}
}

// The labels of limits stand in the margin, beyond the last sample.
func TestLimitsAreNamedOffTheData(t *testing.T) {
	d := New(560, 300, "t", "d")
	d.Plot(Box{W: 560, H: 300}, Plot{Series: []Series{{Class: "chart-first", Samples: []Sample{{0, 0, 0}, {10, 1, 1}}}}, Limits: []Limit{{Name: "limit 3 mm", Class: "chart-second", At: 3}}})
	out := d.Fragment()
	at := regexp.MustCompile(`x="([\d.]+)"[^>]*>limit 3 mm`).FindStringSubmatch(out)
	path := regexp.MustCompile(`L([\d.]+) [\d.]+"`).FindStringSubmatch(out)
	if at == nil || path == nil {
		t.Fatalf("no label or no path in %s", out)
	}
	label, _ := strconv.ParseFloat(at[1], 64)
	last, _ := strconv.ParseFloat(path[1], 64)
	if label <= last || label+TextWidth("limit 3 mm") > 560 {
		t.Errorf("the label begins at %g px, the data end at %g px", label, last)
	}
}

func TestEmptyPlot(t *testing.T) {
	for _, p := range []Plot{{Empty: "nothing"}, {Empty: "nothing", Series: []Series{{Class: "chart-first", Samples: []Sample{{math.NaN(), 0, 0}}}}}} {
		d := New(560, 300, "t", "d")
		d.Plot(Box{W: 560, H: 300}, p)
		if out := d.Fragment(); !strings.Contains(out, ">nothing<") {
			t.Error("an empty plot does not say so")
		}
	}
	d := New(560, 300, "t", "d")
	d.Plot(Box{W: 20, H: 300}, Plot{Empty: "nothing"})
	if strings.Contains(d.Fragment(), "<line") {
		t.Error("it draws where there is no room")
	}
}
