// Package chart draws what the program knows as SVG: a belt with its parts, and
// plots with axes, bands and limits. It is pure: values go in, text comes out.
//
// Rules of these pictures: every colour is a class, so that one style sheet serves
// files and pages; what a colour says, a dash, a hatching or a word says too; no
// number of the data is written as a mark of its own when two fall into one column
// of pixels, so a picture's size does not grow with what it shows.
package chart

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Drawing is a picture in the making. Coordinates are CSS pixels at the size it is
// made for, x to the right and y down.
type Drawing struct {
	title, desc string
	widthPX     float64
	heightPX    float64
	marks       strings.Builder
}

// Point is a place in a drawing, px.
type Point struct{ X, Y float64 }

// Box is a part of a drawing, px.
type Box struct{ X, Y, W, H float64 }

// Anchor says which end of a text stands at its place.
type Anchor string

// Anchors, as SVG names them.
const (
	Start  Anchor = "start"
	Middle Anchor = "middle"
	End    Anchor = "end"
)

// TextPX is the size of every text. A picture made 400 px wide has letters of 12 px on a
// telephone 360 px wide, on which 320 px are left for it.
const TextPX = 15

// New begins a drawing. The title is its short text alternative, the description
// the long one, with every figure that the picture shows.
func New(widthPX, heightPX float64, title, desc string) *Drawing {
	return &Drawing{title: title, desc: desc, widthPX: widthPX, heightPX: heightPX}
}

// Standalone returns the drawing as a file of its own, its style inside.
func (d *Drawing) Standalone() string {
	return `<?xml version="1.0" encoding="UTF-8"?>` + "\n" + d.write("<style>\n"+Style()+"</style>\n", ` width="`+num(d.widthPX)+`" height="`+num(d.heightPX)+`"`)
}

// Fragment returns the drawing to be put into a page that serves Style: without
// style sheet and style attributes, which a strict content policy blocks.
func (d *Drawing) Fragment() string { return d.write("", "") }

func (d *Drawing) write(style, size string) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" class="chart" role="img" aria-label="%s"%s viewBox="0 0 %s %s">`+"\n",
		escape(d.title), size, num(d.widthPX), num(d.heightPX))
	fmt.Fprintf(&b, "<title>%s</title>\n<desc>%s</desc>\n", escape(d.title), escape(d.desc))
	b.WriteString(style)
	fmt.Fprintf(&b, `<rect class="chart-ground" x="0" y="0" width="%s" height="%s"/>`+"\n", num(d.widthPX), num(d.heightPX))
	b.WriteString(d.marks.String())
	b.WriteString("</svg>\n")
	return b.String()
}

// Rect draws a rectangle.
func (d *Drawing) Rect(class string, b Box) {
	fmt.Fprintf(&d.marks, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`+"\n",
		escape(class), num(b.X), num(b.Y), num(math.Max(0, b.W)), num(math.Max(0, b.H)))
}

// Line draws a straight line.
func (d *Drawing) Line(class string, from, to Point) {
	fmt.Fprintf(&d.marks, `<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`+"\n",
		escape(class), num(from.X), num(from.Y), num(to.X), num(to.Y))
}

// Circle draws a circle.
func (d *Drawing) Circle(class string, at Point, r float64) {
	fmt.Fprintf(&d.marks, `<circle class="%s" cx="%s" cy="%s" r="%s"/>`+"\n", escape(class), num(at.X), num(at.Y), num(r))
}

// Path draws a line through points; closed joins the last to the first. Fewer
// than two points draw nothing.
func (d *Drawing) Path(class string, points []Point, closed bool) {
	if len(points) < 2 {
		return
	}
	fmt.Fprintf(&d.marks, `<path class="%s" d="`, escape(class))
	for i, p := range points {
		d.marks.WriteByte("ML"[min(i, 1)])
		d.marks.WriteString(num(p.X) + " " + num(p.Y))
	}
	if closed {
		d.marks.WriteByte('Z')
	}
	d.marks.WriteString(`"/>` + "\n")
}

// Text writes a text; its base line is at the place.
func (d *Drawing) Text(class string, at Point, anchor Anchor, text string) {
	fmt.Fprintf(&d.marks, `<text class="%s" x="%s" y="%s" text-anchor="%s">%s</text>`+"\n",
		escape(class), num(at.X), num(at.Y), anchor, escape(text))
}

// maxHatches bounds the lines of one hatching.
const maxHatches = 200

// Hatch fills a box with slanting lines. They are computed and not a pattern, as a
// pattern needs a name, and names clash when two drawings stand in one page.
func (d *Drawing) Hatch(class string, b Box, stepPX float64) {
	if b.W <= 0 || b.H <= 0 || stepPX <= 0 {
		return
	}
	stepPX = math.Max(stepPX, (b.W+b.H)/maxHatches)
	var path strings.Builder
	for c := stepPX / 2; c < b.W+b.H; c += stepPX { // lines x+y = c within the box
		x1, x2 := math.Max(0, c-b.H), math.Min(c, b.W)
		path.WriteString("M" + num(b.X+x1) + " " + num(b.Y+c-x1) + "L" + num(b.X+x2) + " " + num(b.Y+c-x2))
	}
	fmt.Fprintf(&d.marks, `<path class="%s" d="%s"/>`+"\n", escape(class), path.String())
}

// Arrow draws a line with a filled head at its end.
func (d *Drawing) Arrow(class string, from, to Point) {
	const long, half = 9, 4
	l := math.Hypot(to.X-from.X, to.Y-from.Y)
	if l < 1e-9 {
		return
	}
	u := Point{(to.X - from.X) / l, (to.Y - from.Y) / l}
	neck := Point{to.X - long*u.X, to.Y - long*u.Y}
	if l > long {
		d.Line(class, from, neck)
	}
	d.Path(class+" chart-solid", []Point{to, {neck.X - half*u.Y, neck.Y + half*u.X}, {neck.X + half*u.Y, neck.Y - half*u.X}}, true)
}

// num writes a coordinate to a hundredth of a pixel; never "-0", NaN or an
// exponent, which no viewer reads alike.
func num(v float64) string {
	if math.IsNaN(v) {
		return "0"
	}
	v = math.Round(math.Max(-1e6, math.Min(1e6, v))*100) / 100
	if v == 0 {
		v = 0
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

var entities = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "'", "&#39;")

// escape makes any text safe in XML, as content and as attribute. Characters that
// XML 1.0 does not allow at all are replaced.
func escape(text string) string {
	return entities.Replace(strings.Map(func(r rune) rune {
		if r == '\n' || r == '\t' || r != 0xFFFE && r != 0xFFFF && (r == utf8.RuneError || !unicode.IsControl(r)) {
			return r
		}
		return utf8.RuneError
	}, text))
}
