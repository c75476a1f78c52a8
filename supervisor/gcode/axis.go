// Package gcode reads the G-code that filament printer boards take: words,
// modal state and motion.
//
// It is pure: bytes go in, state and effects come out. Nothing here reads a
// file, a clock or a port. The dialect is that of line-numbered printer boards:
// every line names its command, N and the checksum only frame a line, G4 P is
// in milliseconds, and G92 without an axis sets every axis to zero. Arcs, planes
// and G92 offsets follow NISTIR 6556.
package gcode

// Axis is one of the four axes of a printer.
type Axis uint8

// The axes. E is the extruder.
const (
	X Axis = iota
	Y
	Z
	E
)

// AxisCount is the number of axes.
const AxisCount = 4

const axisLetters = "XYZE"

// axisBits are the axes' letters among those of a line.
var axisBits = [AxisCount]uint32{1 << ('X' - 'A'), 1 << ('Y' - 'A'), 1 << ('Z' - 'A'), 1 << ('E' - 'A')}

// Letter returns the axis word's letter.
func (a Axis) Letter() byte {
	if a >= AxisCount {
		return '?'
	}
	return axisLetters[a]
}

// String returns the axis word's letter as text.
func (a Axis) String() string { return string(rune(a.Letter())) }

// axisOf maps an upper-case word letter to its axis.
func axisOf(letter byte) (Axis, bool) {
	switch letter {
	case 'X':
		return X, true
	case 'Y':
		return Y, true
	case 'Z':
		return Z, true
	case 'E':
		return E, true
	}
	return 0, false
}
