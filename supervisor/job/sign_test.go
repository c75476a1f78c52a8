package job

import (
	"fmt"
	"strings"
	"testing"

	"beltwarden/supervisor/gcode"
)

// What slicers write where a layer, an object or a kind of line begins, and what they write
// elsewhere (common practice, no source).
func TestSigns(t *testing.T) {
	for _, c := range []struct {
		line   string
		kind   signKind
		number int
	}{
		{";LAYER:0", signNumber, 0}, {";LAYER:-3", signNumber, -3}, {"; layer 2, Z = 0.4", signNumber, 2}, {";layer 1 of 6", signNumber, 1},
		{"; layer num/total: 1/50", signNumber, 1}, {"; Layer #3", signNumber, 3}, {"; --- layer 4 ---", signNumber, 4}, {"; new layer nr. 2", signNumber, 2},
		{"G1 Z.2 F7800 ; move to next layer (0)", signNumber, 0}, {"( layer 7 )", signNumber, 7},
		{";LAYER_CHANGE", signLayer, 0}, {";BEFORE_LAYER_CHANGE", signLayer, 0}, {"; CHANGE LAYER", signLayer, 0},
		{";Z:0.2", signHeight, 0}, {"; z = 0.200", signHeight, 0}, {";Z0.35", signHeight, 0}, {"(<layer> 0.200 )", signHeight, 0}, {"; BEGIN LAYER PART z=0.2", signHeight, 0},
		{";TYPE:SKIRT", signLine, 0}, {"; skirt", signLine, 0}, {"; outer wall", signLine, 0}, {"G1 X1 E1 ; perimeter", signLine, 0}, {"; kind of line: fill", signLine, 0},
		{"M486 S0", signObject, 0}, {"; printing object clip.stl id:0 copy 0", signObject, 0}, {";MESH:clip.stl", signObject, 0}, {"START_OBJECT NAME=clip", signObject, 0},

		{"; layer_height = 0.2", noSign, 0}, {"; layer 1 fan = 0", noSign, 0}, {";LAYER_COUNT:12", noSign, 0}, {"; total layers: 12", noSign, 0},
		{"; first layer temperature = 210", noSign, 0}, {"; first_layer_height = 0.3", noSign, 0}, {"; end of layer 1", noSign, 0}, {";Layer height: 0.2", noSign, 0},
		{"; z_offset = 0.2", noSign, 0}, {"; skirts = 1", noSign, 0}, {"; brim width", noSign, 0}, {"; perimeters = 2", noSign, 0}, {"M486 T3", noSign, 0}, {"M486 S-1", noSign, 0},
		{"G1 Z0.3 ; z = 0.3", noSign, 0}, {"G1 X60 E9 ; purge line", noSign, 0}, {";MESH:NONMESH", noSign, 0}, {"DEFINE_OBJECT NAME=clip", noSign, 0}, {";", noSign, 0}, {"; 12", noSign, 0},
		{"G1 X1 E1", noSign, 0}, {"; layer", noSign, 0}, {"; =", noSign, 0},
	} {
		var l gcode.Line
		if err := l.Parse([]byte(c.line)); err != nil {
			t.Fatalf("%q: %v", c.line, err)
		}
		if got := readSign([]byte(c.line), &l); got.kind != c.kind || got.number != c.number {
			t.Errorf("%q is of kind %d, number %d; want %d and %d", c.line, got.kind, got.number, c.kind, c.number)
		}
	}
}

// A first layer of few strokes, with the second beside it, is no purge for that; and what is one finds a hot nozzle.
func TestPurgeOrFirstLayer(t *testing.T) {
	squiggle := func(z string) string {
		return "G28 X Z\nM140 S60\nM104 S210\nG90\nM83\nG1 X30 Y10 Z0.2 F6000\nG1 X32 E0.05 F1200\nG1 X34 Y11 E0.05\nG1 X31 E0.05\nG1 Z" + z +
			" F600\nG0 X20 Y5 F6000\nG1 X21 E0.05 F1200\nG1 X23 Y6 E0.05\nG1 Z0.6\nG1 X20 Y4 E0.05\nM104 S0\n"
	}
	p, err := inspectText(t, squiggle("0.4"), upright)
	if err != nil || p.Body.FirstLine != 7 || severityOf(p.Findings, "purge-repeated") != Warning {
		t.Errorf("the first layer is taken for a purge: %v, body from line %d, %+v", err, p.Body.FirstLine, p.Findings)
	}
	for lead, added := range map[string]string{
		"":                       "7:M109 S210",
		"M109 S210\n":            "",
		"M109 S150\nM104 S210\n": "7:M109 S210",
		"M109 S220\nM104 S210\n": "",
		"M116\n":                 "7:M109 S210",
		"M109 R210\n":            "",
		"M109 S215\nM104 S210\n": "",
	} {
		p, err := inspectText(t, strings.Replace(squiggle("0.2"), "G90\n", lead+"G90\n", 1), upright)
		if err != nil || severityOf(p.Findings, "purge-once") != Info {
			t.Fatalf("%q: %v %+v", lead, err, p.Findings)
		}
		var got []string
		for _, c := range p.Added {
			if strings.HasPrefix(c.Text, "M109") {
				got = append(got, c.Text)
				if want := p.LeadIn.LastLine - 4; c.Line != want || c.Section != LeadIn {
					t.Errorf("%q: %+v, want it before line %d", lead, c, want)
				}
			}
		}
		if (len(got) == 1) != (added != "") {
			t.Errorf("%q: added %q", lead, got)
		}
		if n := int64(len(section(t, p, LeadIn))); n != p.LeadIn.SendLines {
			t.Errorf("%q: %d lines, %d announced", lead, n, p.LeadIn.SendLines)
		}
	}
}

// A part of lines that are alike, one beside the other, is no purge and a rest: it is asked.
func TestLinesAlike(t *testing.T) {
	for _, count := range []int{3, 12} {
		text := start + "G1 X20 Y20 F6000\nM83\n"
		for k := range count {
			text += fmt.Sprintf("G1 X50 E1 F1200\nG1 E-1\nG0 X20 Y%d\nG1 E1\n", 25+5*k)
		}
		p, err := inspectText(t, text+"G1 X22 E0.1\nM104 S0\n", upright)
		if first := int64(strings.Count(start, "\n") + 3); err != nil || p.Body.FirstLine != first || severityOf(p.Findings, "purge-repeated") != Warning {
			t.Errorf("%d lines: %v, the part begins in line %d, want %d: %+v", count, err, p.Body.FirstLine, first, p.Findings)
		}
	}
}
