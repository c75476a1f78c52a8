// Package rig is a simulated belt machine: a controller that speaks the numbered
// line protocol in all its usual variations, motion that takes the time it takes,
// heaters, and a belt that wanders, stretches, has a seam, holds parts and drops
// them. It runs in memory, under virtual time, or on a pseudo-terminal.
//
// It is the witness the tests call: it reads lines with its own interpreter and
// its own checksum, and records what it executed. It therefore uses nothing of
// this project but the port it is reached through.
//
// One goroutine owns the board. Physics is evaluated in closed form at the moment
// it is read; nothing ticks.
package rig

import (
	"errors"
	"fmt"
	"io"
	"time"
)

// Axis numbers in the arrays of this package: X, Y, Z and the extruder E.
const (
	X = iota
	Y
	Z
	E
)

const axisNames = "XYZE"

// Settings describe one simulated machine.
type Settings struct {
	Board   Board
	Machine Machine
	Belt    Belt
	// Speed is machine seconds per wall second. 0 means as fast as possible: moves,
	// dwells and heat waits take no wall time, and an idle board's clock runs
	// 2000 times as fast as the wall's.
	Speed float64
	// ReadTimeout is how long Read of the port in memory waits before it returns with
	// nothing, as a driver does; 0 means 100 ms. Long waits in virtual time cost less
	// with a longer one.
	ReadTimeout time.Duration
	Seed        uint64  // of everything random: equal seeds and equal input give equal runs
	Faults      []Fault // injected from the start
	// RecordTo receives one line for every executed line, in order, flushed as whole
	// lines: sequence, number, machine seconds and text, separated by tabs. When it
	// is set nothing is kept in memory and [Rig.Record] returns nothing.
	RecordTo io.Writer
}

// Machine holds the mechanics and heaters of the machine. Arrays run X, Y, Z, E.
type Machine struct {
	StepsPerMM          [4]float64 // as set on the board; M92 changes it
	MaxFeedMMPerS       [4]float64
	MaxAccelMMPerS2     [4]float64
	AccelMMPerS2        float64 // along the path
	JunctionDeviationMM float64 // corner speed; 0 stops at every junction
	HomingFeedMMPerS    float64
	AmbientC            float64
	Nozzle, Bed         Heater
	SensorNoiseC        float64 // uniform, either side of the true temperature, in reports only
	MinExtrudeC         float64 // below it the extruder is not moved; 0 allows it
}

// Heater is a first-order thermal body: HeatJPerK dT/dt = power - LossWPerK (T - ambient).
type Heater struct {
	PowerW    float64
	HeatJPerK float64
	LossWPerK float64
	MaxC      float64 // a target above it is refused, a temperature above it halts the board
}

// Belt describes the belt and what it does wrong.
type Belt struct {
	Axis         byte // 'Y' or 'Z'
	LoopLengthMM float64
	SeamAtMM     float64 // belt coordinate of the seam's middle, modulo the loop
	SeamWidthMM  float64
	// TrueStepsPerMM is what the stretched belt needs. A commanded millimetre moves
	// it (steps set on the board) / TrueStepsPerMM millimetres. 0 means as set at start.
	TrueStepsPerMM        float64
	Reversed              bool    // a positive move carries the belt away from the drop edge
	DriftPerTravelMMPerM  float64 // sideways per metre of belt travel
	DriftPerAdvanceMMPerM float64 // sideways per metre of net advance
	JitterMMPerSqrtM      float64 // random walk, standard deviation after one metre of travel
	DisturbancesPerM      float64 // expected sudden shifts per metre of travel
	DisturbanceMM         float64 // standard deviation of one sudden shift
	EdgeLimitMM           float64 // offset at which the belt rubs on its frame: damage; 0 never
	ToDropMM              float64 // from nozzle to the edge where parts fall
	AdhesionLoss          float64 // probability that a part lets go of the belt too early
	AdhesionMinutes       float64 // mean time until such a part lets go
	PartGapMM             float64 // clear belt between two extrusions that makes them two parts
	ReleaseC              float64 // parts cling to a bed hotter than this; 0 they never do
	SlipOnReleaseMM       float64 // belt movement when its motor is released
}

// DefaultSettings returns a well-behaved machine with the belt on Z, in real time.
func DefaultSettings() Settings {
	return Settings{
		Board: DefaultBoard(),
		Machine: Machine{
			StepsPerMM:          [4]float64{80, 80, 400, 95},
			MaxFeedMMPerS:       [4]float64{200, 200, 60, 80},
			MaxAccelMMPerS2:     [4]float64{3000, 3000, 1000, 5000},
			AccelMMPerS2:        1000,
			JunctionDeviationMM: 0.02,
			HomingFeedMMPerS:    40,
			AmbientC:            22,
			Nozzle:              Heater{PowerW: 40, HeatJPerK: 18, LossWPerK: 0.12, MaxC: 290},
			Bed:                 Heater{PowerW: 150, HeatJPerK: 700, LossWPerK: 1.2, MaxC: 110},
			SensorNoiseC:        0.1,
			MinExtrudeC:         170,
		},
		Belt: Belt{
			Axis: 'Z', LoopLengthMM: 1200, SeamAtMM: 900, SeamWidthMM: 8,
			ToDropMM: 220, PartGapMM: 3, SlipOnReleaseMM: 1.5,
		},
		Speed: 1,
		Seed:  1,
	}
}

// axis returns the belt's axis number.
func (b Belt) axis() int {
	if b.Axis == 'Y' {
		return Y
	}
	return Z
}

// check returns every fault of the settings, each naming its field.
func (s *Settings) check() error {
	var errs []error
	bad := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	errs = append(errs, s.Board.check())
	bad(s.ReadTimeout >= 0, "read timeout %v is negative; use 0 for %v", s.ReadTimeout, readTimeout)
	m, b := &s.Machine, &s.Belt
	bad(s.Speed >= 0, "speed %v is negative; use 0 for as fast as possible", s.Speed)
	for i := range m.StepsPerMM {
		bad(m.StepsPerMM[i] > 0, "machine steps per mm of %c must be above 0", axisNames[i])
		bad(m.MaxFeedMMPerS[i] > 0, "machine maximum feed of %c must be above 0", axisNames[i])
		bad(m.MaxAccelMMPerS2[i] > 0, "machine maximum acceleration of %c must be above 0", axisNames[i])
	}
	bad(m.AccelMMPerS2 > 0, "machine acceleration must be above 0")
	bad(m.JunctionDeviationMM >= 0, "machine junction deviation is negative")
	bad(m.HomingFeedMMPerS > 0, "machine homing feed must be above 0")
	for name, h := range map[string]Heater{"nozzle": m.Nozzle, "bed": m.Bed} {
		bad(h.PowerW > 0 && h.HeatJPerK > 0 && h.LossWPerK > 0 && h.MaxC > m.AmbientC,
			"%s needs power, heat capacity and loss above 0 and a maximum above ambient", name)
	}
	bad(b.Axis == 'Y' || b.Axis == 'Z', "belt axis %q must be Y or Z", b.Axis)
	bad(b.LoopLengthMM > 0, "belt loop length must be above 0")
	bad(b.ToDropMM > 0, "belt distance to the drop edge must be above 0")
	bad(b.TrueStepsPerMM >= 0, "belt true steps per mm is negative")
	bad(b.PartGapMM >= 0, "belt part gap is negative")
	bad(b.AdhesionLoss >= 0 && b.AdhesionLoss <= 1, "belt adhesion loss %v must be a probability", b.AdhesionLoss)
	bad(b.AdhesionLoss == 0 || b.AdhesionMinutes > 0, "belt adhesion time must be above 0 when adhesion can be lost")
	bad(b.JitterMMPerSqrtM >= 0 && b.DisturbancesPerM >= 0 && b.DisturbanceMM >= 0 && b.EdgeLimitMM >= 0,
		"belt jitter, disturbance and edge limit must not be negative")
	for i, f := range s.Faults {
		if err := f.check(); err != nil {
			errs = append(errs, fmt.Errorf("fault %d: %w", i+1, err))
		}
	}
	return errors.Join(errs...)
}
