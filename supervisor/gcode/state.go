package gcode

import "math"

// Plane is the plane in which arcs run.
type Plane uint8

// Planes, named by their words G17, G18 and G19.
const (
	PlaneXY Plane = iota
	PlaneXZ
	PlaneYZ
)

// Normal returns the axis at right angles to the plane (NISTIR 6556, 3.5.3).
func (p Plane) Normal() Axis { return arcPlanes[p].normal }

// Motion is the motion word last used.
type Motion uint8

// Motion words. MotionNone means that nothing has moved yet.
const (
	MotionNone Motion = iota
	MotionRapid
	MotionLinear
	MotionClockwise
	MotionCounterClockwise
)

// Parameters are the letters of one sticky machine setting and the values last
// given to them.
type Parameters struct {
	// Set has bit letter-'A' set for every letter that was given.
	Set uint32
	// Value holds the value of letter at index letter-'A'. Its unit is that of
	// the setting; lengths are mm whatever units the line was written in.
	Value [26]float64
}

// Get returns the value of a letter and whether it was ever given.
func (p *Parameters) Get(letter byte) (float64, bool) {
	if letter < 'A' || letter > 'Z' {
		return 0, false
	}
	i := letter - 'A'
	return p.Value[i], p.Set&(1<<i) != 0
}

func (p *Parameters) set(letter byte, v float64) {
	p.Value[letter-'A'] = v
	p.Set |= 1 << (letter - 'A')
}

// settingWords are the M words whose parameters stay in force on the board.
var settingWords = [...]int{92, 201, 203, 204, 205, 207, 208, 900}

// SettingCount is the number of sticky machine settings that State follows.
const SettingCount = 8

// SettingWord returns the M number of the sticky setting at index i of
// [State.Settings], such as 204.
func SettingWord(i int) int { return settingWords[i] }

// State is everything that lines leave behind on a board: its assumed position, and how it will
// read the next line. States are compared with ==.
type State struct {
	// PositionMM is the coordinate of each axis as the board believes it, mm.
	PositionMM [AxisCount]float64
	// OffsetMM is machine position minus coordinate, mm, for X, Y and Z: what
	// G92 has shifted since the axis was homed (NISTIR 6556, 3.5.18).
	OffsetMM [3]float64
	// Known says that the coordinate follows from the lines read: it was homed,
	// set by G92 or moved to absolutely.
	Known [AxisCount]bool
	// Homed says that the axis was sent to its end stop.
	Homed [3]bool

	// Inches is G20. All values here are in millimetres anyway.
	Inches bool
	// Relative is G91, for X, Y and Z.
	Relative bool
	// RelativeE is M83.
	RelativeE bool
	// ExtruderUnsure: a G90 or G91 came after the last M82 or M83 and
	// contradicts it: some boards change the extruder's mode with it, others not.
	ExtruderUnsure bool
	// VolumetricMM is M200: the diameter of the filament by whose cross-section E words are
	// volumes, mm; 0: they are lengths. PositionMM of E is as the words are.
	VolumetricMM float64
	// Plane is G17, G18 or G19.
	Plane Plane
	// Motion is the motion word last used.
	Motion Motion
	// FeedMMPerMin is the feed last given, mm/min; 0 means none was given.
	FeedMMPerMin float64

	// FanS is the fan duty last set, 0 to 255, if FanKnown.
	FanS     float64
	FanKnown bool
	// FeedPercent is M220, FlowPercent is M221; 100 is unchanged.
	FeedPercent float64
	FlowPercent float64
	// Tool is the tool last chosen.
	Tool int
	// NozzleTargetC and BedTargetC are the temperatures last commanded, in
	// degrees Celsius; 0 is off.
	NozzleTargetC float64
	BedTargetC    float64

	// DrawnBackMM is how far the filament stands below the most it was ever
	// pushed, mm.
	DrawnBackMM float64
	// FirmwareRetracted says that G10 is in force and G11 has not followed. The
	// length is the board's own and not part of DrawnBackMM.
	FirmwareRetracted bool

	// NozzlesC are the targets of the nozzles other than that of the tool in use, by tool. They
	// are followed once a line has named one, NozzlesApart; until then all tools share a nozzle.
	NozzlesC     [ToolCount]float64
	NozzlesApart bool

	// Settings are the sticky machine settings seen; see [SettingWord].
	Settings [SettingCount]Parameters
	// Lasting are arguments of other words that stay in force.
	Lasting Lasting
}

// ToolCount is how many tools' temperatures are followed.
const ToolCount = 8

// setTool selects a tool, and its nozzle.
func (s *State) setTool(tool int) {
	was := s.Tool
	s.Tool = tool
	if !s.NozzlesApart || tool == was || tool < 0 || tool >= ToolCount || was < 0 || was >= ToolCount {
		return
	}
	s.NozzlesC[was], s.NozzleTargetC, s.NozzlesC[tool] = s.NozzleTargetC, s.NozzlesC[tool], 0
}

// setNozzle sets the target of a tool's nozzle.
func (s *State) setNozzle(tool int, c float64) {
	switch {
	case tool == s.Tool:
		s.NozzleTargetC = c
	case tool >= 0 && tool < ToolCount:
		s.NozzlesC[tool], s.NozzlesApart = c, true
	}
}

// NewState returns the state of a board that has just started: all coordinates
// zero but not known, millimetres, absolute, factors 100 %.
func NewState() State { return State{FeedPercent: 100, FlowPercent: 100} }

// MachineMM returns the axis position free of G92 shifts, mm. For E, which is
// never shifted for good, it is the coordinate.
func (s *State) MachineMM(a Axis) float64 {
	if a == E {
		return s.PositionMM[E]
	}
	return grid(s.PositionMM[a] + s.OffsetMM[a])
}

// Setting returns the parameters of sticky setting M<word>, or nil when State
// does not follow that word.
func (s *State) Setting(word int) *Parameters {
	for i, w := range settingWords {
		if w == word {
			return &s.Settings[i]
		}
	}
	return nil
}

// grid rounds to the nearest 1e-9. Words are decimal numbers with far fewer
// places, so sums kept on this grid are exact decimal sums: a million relative
// moves leave no binary residue, and a state can be written down and read back.
func grid(v float64) float64 {
	if v > 1e6 || v < -1e6 {
		return v // beyond this the grid is finer than a float64 can hold
	}
	// Half away from zero, as math.Round does in more steps: with the float64 next below
	// a half, nothing that is less than a half away is taken up by the addition.
	scaled := float64(v * 1e9)
	return float64(int64(scaled+math.Copysign(0.49999999999999994, scaled))) / 1e9
}
