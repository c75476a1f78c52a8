package job

import (
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
