package picture

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"beltwarden/daemon/chart"
	"beltwarden/supervisor/quality"
)

// Sizes is what a control chart of part sizes shows. Lengths are in one unit, which YTitle names.
type Sizes struct {
	Values  []float64
	First   int // number of the first of the values
	XTitle  string
	YTitle  string
	Ordered *quality.Tolerance // nil for none
	Nominal float64            // with Ordered
	Limits  *Limits            // nil before there are any
	Signals []quality.Signal   // by index from 0, in the order in which they came
	// Anew are the numbers of the values before which limits began to be learned again, as after a change
	// of the belt's scale.
	Anew []int
}

// Limits are control limits: where they are, the numbers of the first and the last value that they rest on,
// and from which number on they hold.
type Limits struct {
	Lower, Mean, Upper float64
	Base               [2]int
	From               int
}

// Shifts are the changes of level that the signals speak of, each once. From counts from 1.
func (s Sizes) Shifts() []quality.Shift {
	if s.Limits == nil {
		return nil
	}
	list := quality.Shifts(s.Signals, s.Values, int64(s.First-1), quality.Limits{Mean: s.Limits.Mean, UCL: s.Limits.Upper})
	for i := range list {
		list[i].From++
	}
	return list
}

// Plot is the control chart. What was ordered is in ink, what was measured and learned in blue; a square is a
// value with a signal, and a change of level is marked once.
func (s Sizes) Plot() chart.Plot {
	p := chart.Plot{XTitle: s.XTitle, YTitle: s.YTitle, Whole: true, Empty: "no length measured yet"}
	if len(s.Values) == 0 {
		return p
	}
	last := s.First + len(s.Values) - 1
	p.YSpan = s.span()
	sizes := chart.Series{Name: "measured", Class: "chart-first", Sign: chart.Dot}
	for i, v := range s.Values {
		sizes.Samples = append(sizes.Samples, point(float64(s.First+i), v))
	}
	p.Series = append(p.Series, sizes)
	if o := s.Ordered; o != nil {
		p.Limits = append(p.Limits, chart.Limit{Name: "most " + short(o.Upper), Class: "chart-line", At: o.Upper, Key: "tolerance"},
			chart.Limit{Name: "ordered " + short(s.Nominal), Class: "chart-line chart-dots", At: s.Nominal},
			chart.Limit{Name: "least " + short(o.Lower), Class: "chart-line", At: o.Lower})
	}
	shifts := s.Shifts()
	if l := s.Limits; l != nil {
		over := [2]float64{float64(max(l.From, s.First)), float64(last)}
		p.Limits = append(p.Limits, chart.Limit{Name: "upper " + l.short(l.Upper), Class: "chart-first chart-dashes", At: l.Upper, Over: over, Key: "control limits"},
			chart.Limit{Name: "mean " + l.short(l.Mean), Class: "chart-first chart-dots", At: l.Mean, Over: over},
			chart.Limit{Name: "lower " + l.short(l.Lower), Class: "chart-first chart-dashes", At: l.Lower, Over: over})
		if l.Base[1] >= s.First && l.Base[1] > 0 && l.Base[0] <= last {
			p.Spans = append(p.Spans, chart.Span{Name: fmt.Sprintf("limits from %d to %d", l.Base[0], l.Base[1]), Class: "chart-belt",
				From: float64(max(l.Base[0], s.First)) - 0.5, To: float64(min(l.Base[1], last)) + 0.5})
		}
		for i, g := range shifts {
			to := last
			if i+1 < len(shifts) {
				to = int(shifts[i+1].From) - 1
			}
			p.Limits = append(p.Limits, chart.Limit{Class: "chart-second", At: l.Mean + g.By, Over: [2]float64{float64(g.From) - 0.5, float64(to) + 0.5}, Key: "level after a shift"})
			p.Marks = append(p.Marks, chart.Mark{Name: fmt.Sprintf("shift from part %d", g.From), Class: "chart-second", At: float64(g.From) - 0.5})
		}
	}
	for _, n := range s.Anew {
		if n > s.First && n <= last {
			p.Marks = append(p.Marks, chart.Mark{Name: "belt scale set", Class: "chart-thin chart-dots", At: float64(n) - 0.5})
		}
	}
	signals := chart.Series{Name: "signal", Class: "chart-second", Sign: chart.Square, Loose: true}
	for _, i := range s.single(shifts) {
		signals.Samples = append(signals.Samples, point(float64(s.First+i), s.Values[i]))
	}
	if len(signals.Samples) > 0 {
		p.Series = append(p.Series, signals)
	}
	return p
}

// single are the places of the values that have a signal of their own: those out of the limits, and others unless
// a shift, which is marked once, has them in it.
func (s Sizes) single(shifts []quality.Shift) (places []int) {
	has := map[int]bool{}
	for _, g := range s.Signals {
		i := int(g.Index) - (s.First - 1)
		if i < 0 || i >= len(s.Values) || has[i] {
			continue
		}
		shifted := slices.ContainsFunc(shifts, func(x quality.Shift) bool { return g.Index+1 >= x.From })
		out := g.Rule == quality.Outside || g.Rule == quality.Beyond3
		if g.Rule == quality.ChangePoint || g.Rule == quality.EightOneSide || shifted && !out {
			continue
		}
		has[i] = true
		places = append(places, i)
	}
	slices.Sort(places)
	return places
}

// span is what the y axis covers: the limits, what was ordered, and all values but those so far out that the others
// would lie on one line. Those are drawn at the edge.
func (s Sizes) span() [2]float64 {
	sorted := slices.Clone(s.Values)
	slices.Sort(sorted)
	n := len(sorted)
	low, high := sorted[n/4], sorted[n-1-n/4]
	if l := s.Limits; l != nil {
		low, high = min(low, l.Lower), max(high, l.Upper)
	}
	if o := s.Ordered; o != nil {
		low, high = min(low, o.Lower), max(high, o.Upper)
	}
	reach := 4 * (high - low)
	if n < 4 || reach <= 0 {
		reach = math.Inf(1) // nothing says how far is far
	}
	from, to := low, high
	for _, v := range sorted {
		if v >= low-reach && v <= high+reach {
			from, to = min(from, v), max(to, v)
		}
	}
	if from == to {
		return [2]float64{}
	}
	return [2]float64{from, to}
}

// Describe says in words what the picture shows beside the values.
func (s Sizes) Describe(unit string) (list []string) {
	if s.Ordered != nil {
		list = append(list, fmt.Sprintf("Ordered: %s%s, from %s to %s%s", short(s.Nominal), unit, short(s.Ordered.Lower), short(s.Ordered.Upper), unit))
	}
	l := s.Limits
	if l == nil {
		return list
	}
	text := fmt.Sprintf("Control limits: %s to %s%s, mean %s%s", l.short(l.Lower), l.short(l.Upper), unit, l.short(l.Mean), unit)
	if l.Base[1] > 0 {
		text += fmt.Sprintf(", by the parts measured from %d to %d that are in control", l.Base[0], l.Base[1])
	}
	list = append(list, text)
	shifts := s.Shifts()
	for _, g := range shifts {
		list = append(list, fmt.Sprintf("Shift from part %d: the level is another by %+.3g%s", g.From, g.By, unit))
	}
	if at := s.single(shifts); len(at) > 0 {
		text := "Signals at part "
		for i, k := range at[:min(10, len(at))] {
			if i > 0 {
				text += ", "
			}
			text += strconv.Itoa(s.First + k)
		}
		if more := len(at) - 10; more > 0 {
			text += fmt.Sprintf(" and %d more", more)
		}
		list = append(list, text)
	}
	return list
}

// short writes a size to five digits, never with an exponent: a margin has room for no more.
func short(v float64) string {
	places := 4
	if size := math.Abs(v); size > 0 {
		places = max(0, min(6, 4-int(math.Floor(math.Log10(size)))))
	}
	return trimmed(v, places)
}

// short writes a size to as many digits as tell the limits apart.
func (l *Limits) short(v float64) string {
	places := 0
	if half := l.Upper - l.Mean; half > 0 {
		places = max(0, min(9, 1-int(math.Floor(math.Log10(half)))))
	}
	if text := trimmed(v, places); len(text) > len(short(v)) {
		return text
	}
	return short(v)
}

func trimmed(v float64, places int) string {
	text := strconv.FormatFloat(v, 'f', places, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	if text == "-0" {
		return "0"
	}
	return text
}
