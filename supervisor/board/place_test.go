package board

import (
	"testing"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
)

// TestWrong compares position reports as boards write them with where the lines lead to.
func TestWrong(t *testing.T) {
	at := gcode.State{PositionMM: [4]float64{10, 20.004, 0.2, 5}, Known: [4]bool{true, true, true, true}}
	inches := at
	inches.Inches = true
	unknown := at
	unknown.Known = [4]bool{true, false, true, true}
	for _, c := range []struct {
		text  string
		at    gcode.State
		wrong string
	}{
		{"X:10.00 Y:20.00 Z:0.20 E:5.00 Count X:800 Y:1600 Z:80", at, ""}, // rounded
		{"X:10.00 Y:20.10 Z:0.20 E:5.00", at, "the board is at Y 20.10 mm, but the lines it accepted lead to 20.00"},
		{"X:10.00 Y:20.00 Z:1.20 E:5.00", at, "the board is at Z 1.20 mm, but the lines it accepted lead to 0.20"},
		{"X:-10.00 Y:20.00 Z:0.20 E:5.00", at, "the board is at X -10.00 mm, but the lines it accepted lead to 10.00"},
		{"X:10.00 Y:20.00 Z:0.20 E:9.00", at, ""}, // filament is not where the head stands
		{"echo:busy: processing", at, ""},         // nothing was reported
		{"X:0.39 Y:0.79 Z:0.01 E:0.20", inches, ""},
		{"X:0.39 Y:0.89 Z:0.01 E:0.20", inches, "the board is at Y 0.89 mm, but the lines it accepted lead to 20.00"},
		{"X:0.39 Y:0.79 Z:0.01 E:0.20", at, "the board is at X 0.39 mm, but the lines it accepted lead to 10.00"},
		{"X:10.00 Y:99.00 Z:0.20 E:5.00", unknown, ""},
	} {
		r := serialio.ParseReply([]byte(c.text))
		p := Position{At: r.Position, Reported: r.HasPosition}
		if got := p.Difference(&c.at); got != c.wrong {
			t.Errorf("%q: %q, want %q", c.text, got, c.wrong)
		}
	}
}
