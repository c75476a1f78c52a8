package sliced

import (
	"fmt"
	"strings"
)

// marks are the comments by which a slicer tells what follows.
type marks struct {
	name   string
	header string // before the start code
	layer  func(n, total int, z float64) string
	inline func(n int) string    // behind the move to a layer's height
	kind   func(s string) string // of line: skirt, brim, raft, wall, fill
	object func(n int) string
	// explain: each line says what it draws.
	explain bool
}

func lines(format string) func(n, total int, z float64) string {
	return func(n, total int, z float64) string {
		return fmt.Sprintf(format, n, total, z, n+1)
	}
}

// allMarks are the comment forms met: the layer's count from 0 or 1, with the total or without,
// a sign of change, a height after a sign, the kind of line, objects, words in brackets, and none.
var allMarks = []marks{
	{name: "none"},
	{name: "count from 0", header: ";LAYER_COUNT:12", layer: lines(";LAYER:%[1]d"), kind: func(s string) string { return ";TYPE:" + s }},
	{name: "sign of change", layer: lines(";LAYER_CHANGE\n;Z:%.2[3]f\n;HEIGHT:0.2"), kind: func(s string) string { return ";TYPE:" + s }},
	{name: "count and height", layer: lines("; layer %[4]d, Z = %.3[3]f"), kind: func(s string) string { return "; " + s }},
	{name: "before and after", layer: lines(";BEFORE_LAYER_CHANGE\n;%.2[3]f\n;AFTER_LAYER_CHANGE\n;%.2[3]f")},
	{name: "change first", layer: lines("; CHANGE LAYER\n; Z HEIGHT: %.2[3]f\n; LAYER HEIGHT: 0.2"), kind: func(s string) string { return "; kind of line: " + s }},
	{name: "number of total", layer: lines("; layer number/count: %[4]d/%[2]d")},
	{name: "number of many", layer: lines(";layer %[4]d of %[2]d")},
	{name: "in brackets", layer: lines("(<layer> %.3[3]f )"), kind: func(s string) string { return "(<" + s + ">)" }},
	{name: "on the move", inline: func(n int) string { return fmt.Sprintf(" ; move to the next layer (%d)", n) }},
	{name: "kinds alone", kind: func(s string) string { return ";TYPE:" + s }},
	{name: "kinds in words", kind: func(s string) string { return "; " + s }},
	{name: "height alone", layer: lines(";Z:%.3[3]f")},
	{name: "height after z =", layer: lines("; z = %.3[3]f")},
	{name: "between dashes", layer: lines("; --- layer %[4]d ---")},
	{name: "number sign", layer: lines("; Layer #%[4]d")},
	{name: "capitals", layer: lines("; BEGIN LAYER PART z=%.3[3]f")},
	{name: "objects", object: func(n int) string { return fmt.Sprintf("M486 S%d", n) }},
	{name: "objects in words", object: func(n int) string { return fmt.Sprintf("; printing object clip.stl id:%d copy 0", n) }},
	{name: "from the second", layer: func(n, total int, z float64) string {
		if n == 0 {
			return ""
		}
		return fmt.Sprintf("; layer %d, z %.2f", n+1, z)
	}},
	{name: "each line explained", explain: true, inline: func(n int) string { return fmt.Sprintf(" ; move to next layer (%d)", n) }},
	{name: "number behind a word", layer: lines("; new layer nr. %[4]d")},
	{name: "raft counted below 0", layer: func(n, total int, z float64) string { return fmt.Sprintf(";LAYER:%d", n-2) }},
	{name: "object words", object: func(n int) string { return fmt.Sprintf("START_OBJECT NAME=clip_%d", n) }},
	{name: "objects by file", object: func(n int) string { return fmt.Sprintf(";MESH:clip(%d).stl", n) }},
	{name: "slashes and stars", layer: lines(";**** layer %[4]d/%[2]d ****")},
}

func (p *pen) kind(s string) {
	p.doing = strings.ToLower(s)
	if p.marks.kind != nil {
		p.text(p.marks.kind(s))
	}
}

// layer goes to the height of a layer and tells of it.
func (p *pen) layer(n int, z float64) {
	if p.marks.layer != nil {
		if text := p.marks.layer(n, p.layers, z); text != "" {
			p.text(text)
		}
	}
	p.back()
	inline := ""
	if p.marks.inline != nil {
		inline = p.marks.inline(n)
	}
	p.height(z, 600, inline)
	if p.reset && n > 0 {
		p.zero()
	}
}

func (p *pen) object(n int) {
	if p.marks.object != nil {
		p.text(p.marks.object(n))
	}
}
