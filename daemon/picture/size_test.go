package picture

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"beltwarden/daemon/chart"
	"beltwarden/supervisor/quality"
)

// shifted is a table whose level changes at value 46, judged by the first twenty in control.
func shifted(t *testing.T) Sizes {
	t.Helper()
	r := rand.New(rand.NewPCG(1, 2))
	var values []float64
	for i := range 70 {
		mean := 20.0
		if i >= 45 {
			mean = 20.09
		}
		values = append(values, mean+0.02*r.NormFloat64())
	}
	values[5] = 23 // left out of the base
	j, err := quality.Judge(values, 20, quality.TextbookSettings())
	if err != nil {
		t.Fatal(err)
	}
	return Sizes{Values: values, First: 1, XTitle: "part measured, number", YTitle: "length along the belt, mm", Signals: j.Signals,
		Ordered: &quality.Tolerance{Lower: 19.8, Upper: 20.2}, Nominal: 20,
		Limits: &Limits{Lower: j.LCL, Mean: j.Mean, Upper: j.UCL, Base: [2]int{int(j.Base[0]) + 1, int(j.Base[19]) + 1}}}
}

// A control chart shows what its limits rest on, the tolerance and what was ordered, a shift once, and values with a
// signal by a shape and a colour that no good one has.
func TestControlChart(t *testing.T) {
	s := shifted(t)
	p := s.Plot()
	d := chart.New(400, 330, "t", strings.Join(s.Describe(" mm"), ". "))
	d.Plot(chart.Box{W: 400, H: 330}, p)
	svg := d.Fragment()
	for _, want := range []string{">shift from part 46<", ">limits from 1 to 21<", ">most 20.2<", ">ordered 20<", ">least 19.8<", ">tolerance<", ">control limits<",
		">length along the belt, mm<", ">part measured, number<", "Shift from part 46: the level is another by +0.0", "by the parts measured from 1 to 21 that are in control"} {
		if strings.Count(svg, want) != 1 {
			t.Errorf("%d times %q", strings.Count(svg, want), want)
		}
	}
	signals := p.Series[len(p.Series)-1]
	if signals.Name != "signal" || signals.Sign != chart.Square || !signals.Loose || signals.Class == p.Series[0].Class || signals.Samples[0].X != 6 {
		t.Errorf("signals are drawn as %+v", signals)
	}
	if p.YSpan[1] > 20.5 {
		t.Errorf("the outlier rules the axis, to %g", p.YSpan[1])
	}
	if !strings.Contains(svg, ">23<") {
		t.Error("the value beyond the axis is not written")
	}
	// The lines stand at their values.
	for _, l := range p.Limits {
		if strings.HasPrefix(l.Name, "upper") && l.At != s.Limits.Upper || strings.HasPrefix(l.Name, "most") && l.At != 20.2 {
			t.Errorf("%+v", l)
		}
	}
	// Of the newest values alone the same shift is named.
	s.First, s.Values = 31, s.Values[30:]
	if names := marks(s.Plot()); !slices.Equal(names, []string{"shift from part 46"}) {
		t.Errorf("marks %q", names)
	}
}

func marks(p chart.Plot) (names []string) {
	for _, m := range p.Marks {
		names = append(names, m.Name)
	}
	return names
}

// Whatever the values, the chart covers what it can and says so: no figure is lost, none is invented.
func TestControlChartOfOddValues(t *testing.T) {
	for name, values := range map[string][]float64{"one": {20}, "two equal": {20, 20}, "negative": {-5, -6, -5.5, -7}, "tiny": {20, 20.00001, 20.00002, 19.99999, 20},
		"far out": {20, 20.1, 19.9, 20, 20.05, 2000, 20}, "zero": {0, 0, 0}} {
		p := Sizes{Values: values, First: 1, XTitle: "x", YTitle: "y"}.Plot()
		d := chart.New(400, 330, "t", "")
		d.Plot(chart.Box{W: 400, H: 330}, p)
		svg := d.Fragment()
		if strings.Contains(svg, "NaN") || strings.Count(svg, "<circle") < min(len(values), 6) {
			t.Errorf("%s: %s", name, svg)
		}
		if out := strings.Contains(svg, ">2000<"); out != (name == "far out") {
			t.Errorf("%s: written at the edge: %v", name, out)
		}
	}
	if p := (Sizes{}).Plot(); p.Empty == "" || len(p.Series) != 0 {
		t.Error("a chart of nothing does not say so")
	}
}

func TestShort(t *testing.T) {
	for v, want := range map[float64]string{20.2: "20.2", 20.123456: "20.123", 0: "0", -0.00000001: "0", 1234567: "1234567", 0.000123456: "0.000123", -5.5: "-5.5", 1e9: "1000000000"} {
		if got := short(v); got != want {
			t.Errorf("%g is %q, want %q", v, got, want)
		}
	}
	l := Limits{Lower: 19.99997, Mean: 20, Upper: 20.00003}
	if a, b := l.short(l.Lower), l.short(l.Upper); a != "19.99997" || b != "20.00003" {
		t.Errorf("limits that lie close read %s and %s", a, b)
	}
}
