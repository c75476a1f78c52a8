package board

import (
	"fmt"
	"math"

	"beltwarden/supervisor/gcode"
)

// Position is where the board last said that it stands, in its own units.
type Position struct {
	At       [4]float64 // X, Y, Z, E
	Reported bool
}

// ToleranceMM is how far the board's word may be from ours: boards round to
// hundredths, and count in whole steps.
const ToleranceMM = 0.05

// DifferenceMM is how far along an axis the board says that it stands from where the lines that it
// accepted lead to, 0 where it said nothing.
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

// Difference compares where the board stands with where its lines should have brought it. A line
// altered on the way so that its checksum still fits (an XOR sees no even number of flips in one
// bit column, and no swapped bytes) mostly shows here. It returns "" when they agree or nothing
// was reported.
func (p *Position) Difference(at *gcode.State) string {
	for a := gcode.X; a <= gcode.Z; a++ {
		if p.DifferenceMM(a, at) > ToleranceMM {
			return fmt.Sprintf("the board is at %s %.2f mm, but the lines it accepted lead to %.2f", a, p.At[a], at.PositionMM[a])
		}
	}
	return ""
}
