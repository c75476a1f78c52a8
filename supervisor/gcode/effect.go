package gcode

import (
	"math"
	"time"
)

// Kind says what a line does.
type Kind uint8

// Kinds of line.
const (
	// KindNone: nothing to send, such as a comment.
	KindNone Kind = iota
	// KindMove: G0 to G3.
	KindMove
	// KindRetract: G10 or G11, retraction by the board.
	KindRetract
	// KindDwell: G4.
	KindDwell
	// KindHome: G28.
	KindHome
	// KindSet: a mode, coordinate, factor, fan or machine setting.
	KindSet
	// KindTemperature: M104, M109, M140, M190.
	KindTemperature
	// KindTool: T.
	KindTool
	// KindMotorsOff: M84 or M18.
	KindMotorsOff
	// KindRepeat: M808, a repeat marker.
	KindRepeat
	// KindWait: M400, all moves ended.
	KindWait
	// KindReport: a word that queries or shows something and changes nothing.
	KindReport
	// KindUnknown: a word this package does not follow.
	KindUnknown
)

// String returns the kind in words.
func (k Kind) String() string {
	names := [...]string{"nothing", "move", "retract", "dwell", "home", "set", "temperature", "tool",
		"motors off", "repeat", "wait", "report", "unknown"}
	if int(k) < len(names) {
		return names[k]
	}
	return "unknown"
}

// Effect is what one line does to the machine. Lengths are mm of commanded
// movement and do not depend on G92 shifts.
type Effect struct {
	Kind Kind
	// Letter and Number name the command, such as 'G' and 1; Sub is the digit
	// after the point, as in G92.1. Letter is 0 when there is none; '#' stands
	// for a named command of the board's own.
	Letter byte
	Number int
	Sub    int
	// Named has bit a set for every axis the line names.
	Named uint8
	// Lost says that the line moves axes in a way that cannot be followed: their
	// coordinates are unknown afterwards.
	Lost bool

	// MinMM and MaxMM are the lowest and highest coordinate each axis takes
	// during a move, start and end included, in coordinates after the line.
	MinMM, MaxMM [AxisCount]float64
	// ExtrudedMM is filament pushed (+) or drawn back (-), flow factor included.
	ExtrudedMM float64
	// Extruding says that filament is pushed while X, Y or Z moves.
	Extruding bool
	// FeedMMPerMin is the commanded speed along the path, feed factor included;
	// 0 when no feed was ever given.
	FeedMMPerMin float64
	// PathMM is the length of the path in space, or of the filament movement
	// when nothing else moves.
	PathMM float64
	// Duration is a dwell's length, or PathMM at FeedMMPerMin without
	// acceleration.
	Duration time.Duration
	// RadiusMM is that of an arc, 0 for a straight move. Entry and Exit are the
	// directions at its ends, of length 1.
	RadiusMM    float64
	Entry, Exit [3]float64
	// Value and HasValue hold S (or R) of a temperature or fan word, L of a
	// repeat marker.
	Value    float64
	HasValue bool

	delta, travel [AxisCount]float64
}

// Delta returns the signed net movement of an axis, mm.
func (e *Effect) Delta(a Axis) float64 { return e.delta[a] }

// Deltas returns the net movement of all axes; see [Effect.Delta].
func (e *Effect) Deltas() [AxisCount]float64 { return e.delta }

// Travel returns the sum of absolute movement of an axis, mm. On an arc the
// monotone pieces are added, so a full circle of radius r travels 4r.
func (e *Effect) Travel(a Axis) float64 { return e.travel[a] }

// Names reports whether the line names the axis.
func (e *Effect) Names(a Axis) bool { return e.Named&(1<<a) != 0 }

// Is reports whether the command is letter and number, such as ('M', 84).
func (e *Effect) Is(letter byte, number int) bool {
	return e.Letter == letter && e.Number == number && e.Sub == 0
}

// straightMM is the length of a straight move in space.
func (e *Effect) straightMM() float64 {
	return math.Sqrt(e.delta[X]*e.delta[X] + e.delta[Y]*e.delta[Y] + e.delta[Z]*e.delta[Z])
}

// finish works out filament and time once the path is known.
func (e *Effect) finish(s *State) {
	if e.delta[E] != 0 {
		e.ExtrudedMM = e.delta[E]
		if s.FlowPercent != 100 {
			e.ExtrudedMM = grid(e.delta[E] * s.FlowPercent / 100)
		}
		e.Extruding = e.ExtrudedMM > 0 && e.PathMM > 0
		if s.DrawnBackMM > 0 || e.ExtrudedMM < 0 {
			s.DrawnBackMM = max(0, grid(s.DrawnBackMM-e.ExtrudedMM))
		}
		if e.PathMM == 0 {
			e.PathMM = e.travel[E]
		}
	}
	e.FeedMMPerMin = s.FeedMMPerMin
	if s.FeedPercent != 100 {
		e.FeedMMPerMin = s.FeedMMPerMin * s.FeedPercent / 100
	}
	if e.FeedMMPerMin > 0 {
		e.Duration = seconds(e.PathMM / e.FeedMMPerMin * 60)
	}
}

// seconds converts without overflow: what exceeds a Duration is a Duration's end.
func seconds(v float64) time.Duration {
	if v >= math.MaxInt64/1e9 {
		return math.MaxInt64
	}
	return time.Duration(v * 1e9)
}
