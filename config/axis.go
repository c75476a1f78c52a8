package config

// Axis is an axis letter, 'X', 'Y' or 'Z'.
type Axis byte

// The axes a configuration can name.
const (
	AxisX Axis = 'X'
	AxisY Axis = 'Y'
	AxisZ Axis = 'Z'
)

// String returns the letter, or nothing for the zero value.
func (a Axis) String() string {
	if a == 0 {
		return ""
	}
	return string(rune(a))
}

// axesByBelt returns the usual end-stopped axes and lift axis of a machine whose
// belt is the axis given: an upright gantry lifts in Z, a tilted one in Y.
func axesByBelt(belt Axis) (homed []Axis, lift Axis) {
	if belt == AxisZ {
		return []Axis{AxisX, AxisY}, AxisY
	}
	return []Axis{AxisX, AxisZ}, AxisZ
}
