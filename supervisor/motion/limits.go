// Package motion computes how long a board takes for its moves: trapezoids of speed
// under limits of speed and acceleration, joined at corners, with as many moves of
// look-ahead as the board has. It is pure.
//
// Lengths are millimetres, times seconds unless the type says otherwise. Axes are X,
// Y, Z and E, in this order.
package motion

import (
	"fmt"
	"math"
)

// Axes is the number of axes.
const Axes = 4

// MaxLookAhead is the largest look-ahead supported, in moves.
const MaxLookAhead = 32

// Limits are what a board allows its moves. A zero field means the default.
type Limits struct {
	SpeedMMPerS  [Axes]float64 // top speed of each axis (M203)
	AccelMMPerS2 [Axes]float64 // largest acceleration of each axis (M201)

	PrintAccelMMPerS2   float64 // of moves that push filament (M204 P)
	RetractAccelMMPerS2 float64 // of moves of filament alone (M204 R)
	TravelAccelMMPerS2  float64 // of all others (M204 T)

	// JunctionDeviationMM allows a corner the speed at which a circle that stays within this
	// distance of it would need the acceleration (M205 J).
	JunctionDeviationMM float64
	// CornerMMPerS is the step of speed that each axis takes at a corner (M205 X Y Z E). If any is
	// given, it applies instead of the deviation.
	CornerMMPerS [Axes]float64

	LookAhead int // moves that the board plans over, itself included
}

// Default is a small machine with a bed for a belt (common practice, no source).
var Default = Limits{
	SpeedMMPerS: [Axes]float64{200, 200, 20, 60}, AccelMMPerS2: [Axes]float64{1500, 1500, 200, 5000},
	PrintAccelMMPerS2: 1000, RetractAccelMMPerS2: 1500, TravelAccelMMPerS2: 1000,
	JunctionDeviationMM: 0.02, LookAhead: 16,
}

// Complete fills in defaults. It refuses negative and non-finite values.
func (l Limits) Complete() (Limits, error) {
	d := Default
	byCorners := false
	for a := range Axes {
		for _, p := range []struct{ v, d *float64 }{{&l.SpeedMMPerS[a], &d.SpeedMMPerS[a]}, {&l.AccelMMPerS2[a], &d.AccelMMPerS2[a]}} {
			if err := fill(p.v, *p.d); err != nil {
				return l, fmt.Errorf("cannot plan motion: axis %c: %w", "XYZE"[a], err)
			}
		}
		if !(l.CornerMMPerS[a] >= 0) || math.IsInf(l.CornerMMPerS[a], 0) {
			return l, fmt.Errorf("cannot plan motion: axis %c: a corner speed of %g mm/s", "XYZE"[a], l.CornerMMPerS[a])
		}
		byCorners = byCorners || l.CornerMMPerS[a] > 0
	}
	for _, p := range []struct{ v, d *float64 }{{&l.PrintAccelMMPerS2, &d.PrintAccelMMPerS2}, {&l.RetractAccelMMPerS2, &d.RetractAccelMMPerS2},
		{&l.TravelAccelMMPerS2, &d.TravelAccelMMPerS2}} {
		if err := fill(p.v, *p.d); err != nil {
			return l, fmt.Errorf("cannot plan motion: %w", err)
		}
	}
	if !byCorners {
		if err := fill(&l.JunctionDeviationMM, d.JunctionDeviationMM); err != nil {
			return l, fmt.Errorf("cannot plan motion: junction deviation: %w", err)
		}
	}
	if l.LookAhead == 0 {
		l.LookAhead = d.LookAhead
	}
	if l.LookAhead < 1 || l.LookAhead > MaxLookAhead {
		return l, fmt.Errorf("cannot plan motion: a look-ahead of %d moves; it is 1 to %d", l.LookAhead, MaxLookAhead)
	}
	return l, nil
}

func fill(v *float64, d float64) error {
	if !(*v >= 0) || math.IsInf(*v, 0) {
		return fmt.Errorf("a limit of %g", *v)
	}
	if *v == 0 {
		*v = d
	}
	return nil
}

// corners reports whether speed steps determine the corners.
func (l *Limits) corners() bool { return l.CornerMMPerS != [Axes]float64{} }

// Kind says which acceleration a move takes.
type Kind uint8

// Kinds of move.
const (
	Travel  Kind = iota // no filament pushed
	Print               // filament pushed while X, Y or Z moves
	Retract             // filament alone
)

func (l *Limits) accel(k Kind) float64 {
	switch k {
	case Print:
		return l.PrintAccelMMPerS2
	case Retract:
		return l.RetractAccelMMPerS2
	}
	return l.TravelAccelMMPerS2
}

// WithDefaults fills zero fields of l from other. If l has either rule for corners, that of other
// is not used.
func (l Limits) WithDefaults(other Limits) Limits {
	take := func(v *float64, o float64) {
		if *v == 0 {
			*v = o
		}
	}
	for a := range Axes {
		take(&l.SpeedMMPerS[a], other.SpeedMMPerS[a])
		take(&l.AccelMMPerS2[a], other.AccelMMPerS2[a])
	}
	take(&l.PrintAccelMMPerS2, other.PrintAccelMMPerS2)
	take(&l.RetractAccelMMPerS2, other.RetractAccelMMPerS2)
	take(&l.TravelAccelMMPerS2, other.TravelAccelMMPerS2)
	if !l.corners() && l.JunctionDeviationMM == 0 {
		l.JunctionDeviationMM, l.CornerMMPerS = other.JunctionDeviationMM, other.CornerMMPerS
	}
	if l.LookAhead == 0 {
		l.LookAhead = other.LookAhead
	}
	return l
}
