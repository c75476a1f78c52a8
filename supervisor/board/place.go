package board

import (
	"fmt"
	"math"

	"beltwarden/supervisor/gcode"
)

// Position is the position that the board has reported last, in its own units.
type Position struct {
	At       [4]float64 // X, Y, Z, E
	Reported bool
}

// ToleranceMM is the tolerance between reported and expected positions: boards round to hundredths,
// and count in whole steps.
const ToleranceMM = 0.05

// DifferenceMM is how far the reported position is from the expected one along an axis; 0 if none
// was reported.
func (p *Position) DifferenceMM(a gcode.Axis, at *gcode.State) float64 {
	if !p.Reported || !at.Known[a] {
		return 0
	}
	is, want := p.At[a], at.PositionMM[a]
	if at.Inches && math.Abs(is*25.4-want) <= ToleranceMM*25.4 {
		return 0 // boards differ in the units of the report
	}
	return math.Abs(is - want)
}

// Difference describes how the reported position differs from the expected one; "" if they agree or
// none was reported. It mostly reveals a line that was altered on the way with its checksum still
// matching: an XOR misses an even number of flips in one bit column, and swapped bytes.
func (p *Position) Difference(at *gcode.State) string {
	for a := gcode.X; a <= gcode.Z; a++ {
		if p.DifferenceMM(a, at) > ToleranceMM {
			return fmt.Sprintf("the board is at %s %.2f mm, but the lines it accepted lead to %.2f", a, p.At[a], at.PositionMM[a])
		}
	}
	return ""
}
