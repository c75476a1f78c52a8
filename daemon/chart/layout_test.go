package chart

import (
	"encoding/xml"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// textBox is where a text lies at most.
type textBox struct {
	text string
	Box
}

// boxes reads the texts of a drawing, and fails on a mark or a text outside of it. A text's box is that of its
// letters: from 0.93 of its size above the base line to 0.24 below, as browsers measure DejaVu Sans.
func boxes(t interface {
	Helper()
	Fatalf(string, ...any)
}, svg string) (list []textBox) {
	t.Helper()
	var doc struct {
		ViewBox string `xml:"viewBox,attr"`
		Nodes   []struct {
			XMLName xml.Name
			Attrs   []xml.Attr `xml:",any,attr"`
			Text    string     `xml:",chardata"`
		} `xml:",any"`
	}
	if err := xml.Unmarshal([]byte(svg), &doc); err != nil {
		t.Fatalf("%v", err)
	}
	var view [4]float64
	if _, err := fmt.Sscan(doc.ViewBox, &view[0], &view[1], &view[2], &view[3]); err != nil {
		t.Fatalf("%v in %q", err, doc.ViewBox)
	}
	const slack = 2 // half a line's width, and rounding
	within := func(what string, x, y float64) {
		if x < -slack || y < -slack || x > view[2]+slack || y > view[3]+slack {
			t.Fatalf("%s at %g, %g is outside of %g by %g", what, x, y, view[2], view[3])
		}
	}
	for _, n := range doc.Nodes {
		has := map[string]float64{}
		anchor, class := "", ""
		for _, a := range n.Attrs {
			switch a.Name.Local {
			case "text-anchor":
				anchor = a.Value
			case "class":
				class = a.Value
			case "d":
				for _, point := range strings.FieldsFunc(a.Value, func(r rune) bool { return r == 'M' || r == 'L' || r == 'Z' }) {
					var x, y float64
					if _, err := fmt.Sscan(point, &x, &y); err != nil {
						t.Fatalf("%v in %q", err, point)
					}
					within("a line", x, y)
				}
			default:
				var v float64
				if _, err := fmt.Sscan(a.Value, &v); err == nil {
					has[a.Name.Local] = v
				}
			}
		}
		switch n.XMLName.Local {
		case "text":
			wide := TextWidth(n.Text)
			if strings.Contains(class, "chart-head") {
				wide *= headWider
			}
			left := has["x"]
			switch anchor {
			case "middle":
				left -= wide / 2
			case "end":
				left -= wide
			}
			box := textBox{n.Text, Box{left, has["y"] - 0.93*TextPX, wide, 1.17 * TextPX}}
			within("text "+n.Text, box.X, box.Y)
			within("text "+n.Text, box.X+box.W, box.Y+box.H)
			list = append(list, box)
		case "line":
			within("a line", has["x1"], has["y1"])
			within("a line", has["x2"], has["y2"])
		case "rect":
			within("a box", has["x"], has["y"])
			within("a box", has["x"]+has["width"], has["y"]+has["height"])
		case "circle":
			within("a circle", has["cx"]-has["r"], has["cy"]-has["r"])
			within("a circle", has["cx"]+has["r"], has["cy"]+has["r"])
		}
	}
	return list
}

// apart fails where two texts overlap.
func apart(t interface {
	Helper()
	Fatalf(string, ...any)
}, list []textBox) {
	t.Helper()
	const touch = 0.6 // px that two boxes may share: their letters do not fill them
	for i, a := range list {
		for _, b := range list[:i] {
			if a.X+touch < b.X+b.W && b.X+touch < a.X+a.W && a.Y+touch < b.Y+b.H && b.Y+touch < a.Y+a.H {
				t.Fatalf("%q at %v covers %q at %v", a.text, a.Box, b.text, b.Box)
			}
		}
	}
}

// Any plot can be drawn with no text on another and nothing outside of the picture.
func TestAnyPlotIsLaidOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		odd := func(name string) float64 {
			if rapid.IntRange(0, 40).Draw(t, name+" odd") == 0 {
				return rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), 0, -1e9, 1e9, 1e-9}).Draw(t, name)
			}
			return rapid.Float64Range(-100, 100).Draw(t, name)
		}
		word := func(name string) string {
			return rapid.SampledFrom([]string{"", "limit", "upper 20.123", "shift from part 12345", "limits from 1 to 20", "W"}).Draw(t, name)
		}
		scale := math.Pow(10, rapid.Float64Range(-6, 5).Draw(t, "scale"))
		base := rapid.SampledFrom([]float64{0, 20, -20, 1000}).Draw(t, "base")
		p := Plot{XTitle: "belt travel since the lot was opened, m", YTitle: "lateral offset, mm (+ to the right)", Whole: rapid.Bool().Draw(t, "whole"), Empty: "nothing was measured on this belt yet"}
		for range rapid.IntRange(0, 3).Draw(t, "series") {
			s := Series{Name: word("series name"), Class: "chart-first", Sign: Sign(rapid.IntRange(0, 2).Draw(t, "sign")), Loose: rapid.Bool().Draw(t, "loose")}
			for i := range rapid.IntRange(0, 30).Draw(t, "samples") {
				v := base + scale*odd("value")
				s.Samples = append(s.Samples, Sample{float64(i), v, v + scale*rapid.SampledFrom([]float64{0, 0, 1}).Draw(t, "height")})
			}
			p.Series = append(p.Series, s)
		}
		for range rapid.IntRange(0, 6).Draw(t, "limits") {
			p.Limits = append(p.Limits, Limit{Name: word("limit"), Class: "chart-second", At: base + scale*odd("at"), Key: word("key"), Over: [2]float64{odd("over"), odd("until")}})
		}
		for range rapid.IntRange(0, 6).Draw(t, "marks") {
			p.Marks = append(p.Marks, Mark{Name: word("mark"), Class: "chart-thin", At: math.Abs(odd("x")) / 3})
		}
		for range rapid.IntRange(0, 2).Draw(t, "spans") {
			from := math.Abs(odd("from")) / 3
			p.Spans = append(p.Spans, Span{Name: word("span"), Class: "chart-thin", From: from, To: from + math.Abs(odd("long")), Hatched: rapid.Bool().Draw(t, "hatched")})
		}
		if rapid.Bool().Draw(t, "spanned") {
			p.YSpan = [2]float64{base - 10*scale, base + 10*scale}
		}
		wide := rapid.SampledFrom([]float64{400, 560, 900}).Draw(t, "wide")
		d := New(wide, 340, "t", "d")
		d.Plot(Box{X: 2, Y: 4, W: wide - 4, H: 332}, p)
		apart(t, boxes(t, d.Fragment()))
	})
}
