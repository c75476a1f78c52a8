package rig

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// FaultKind is a kind of fault.
type FaultKind int

// Kinds of fault. The first four damage single bytes on the wire.
const (
	Flip           FaultKind = iota // one bit of a byte is turned over
	Drop                            // a byte is lost
	Double                          // a byte comes twice
	Delay                           // bytes come later, by For
	LoseOk                          // an acknowledgement is not sent
	LoseResend                      // a resend request is not sent
	RepeatResend                    // a resend request is sent twice
	Garbage                         // the board sends a line of nonsense
	Silence                         // the board neither reads nor answers, for For
	Busy                            // as Silence, but it says that it is busy
	Reset                           // the board restarts
	Unplug                          // the cable comes out, for For (0: until Replug)
	HeaterFault                     // the board sees a heater fault and halts
	NoHeat                          // a heater gives no more heat
	StuckSensor                     // a temperature reading stays where it is
	FullHeat                        // a heater is fully on for good
	BrokenSensor                    // a temperature reading is far below freezing
	ShortSensor                     // a temperature reading is far above anything real
	DriftSensor                     // a temperature reading moves away from the truth, a few degrees a minute
	LooseSensor                     // a sensor slips out of its place and feels little of the heat
	WeakHeat                        // a heater gives a third of its power
	Retarget                        // somebody else sets a target 20 degrees higher
	MissingSensor                   // a temperature is left out of the reports
	NanSensor                       // a temperature is reported as nan
	FloorSensor                     // a temperature is reported as -127, as of a digital sensor that does not answer
	TopSensor                       // a temperature is reported as 1100, the top of a table
	IgnoreOff                       // the board ignores commands that switch a heater off, and the emergency command
	OldReadings                     // the board keeps reporting a heater's temperature, target and drive of now
	SwappedSensors                  // each heater's sensor sits at the other one
	NoMains                         // heaters and motors have no current while the board lives on USB and answers, for For (0: for good)
	NoReports                       // the board reports no temperature any more, also when asked
	FrozenAnswers                   // the board keeps reporting temperatures and position of now
)

var faultNames = [...]string{"flip", "drop", "double", "delay", "lose-ok", "lose-resend", "repeat-resend",
	"garbage", "silence", "busy", "reset", "unplug", "heater-fault", "no-heat", "stuck-sensor", "full-heat", "broken-sensor", "short-sensor", "drift-sensor", "loose-sensor", "weak-heat", "retarget",
	"missing-sensor", "nan-sensor", "floor-sensor", "top-sensor", "ignore-off", "old-readings",
	"swapped-sensors", "no-mains", "no-reports", "frozen-answers"}

// String returns the kind's name as [ParseFault] reads it.
func (k FaultKind) String() string {
	if k < 0 || int(k) >= len(faultNames) {
		return "fault " + strconv.Itoa(int(k))
	}
	return faultNames[k]
}

// Direction is the direction of damaged bytes.
type Direction int

// Directions on the wire.
const (
	BothWays Direction = iota
	ToBoard
	ToHost
)

var directionNames = [...]string{"both", "board", "host"}

// Fault is a planned fault, and when it happens. Without time, line or rate it happens at once.
type Fault struct {
	Kind FaultKind
	At   time.Duration // machine time
	Line uint64        // when this many lines have been accepted
	// Rate makes it happen at random: per byte for Flip, Drop, Double and Delay, per
	// acknowledgement for LoseOk, per request for LoseResend and RepeatResend, per
	// accepted line for the others.
	Rate float64
	For  time.Duration // how long, in machine time (wall time at speed 0)
	Way  Direction     // of damaged bytes
	// Bed makes NoHeat and the kinds up to OldReadings act on the bed instead of the nozzle.
	Bed bool
	// Restart makes the board of an Unplug lose its power as well.
	Restart bool
}

// String writes the fault as [ParseFault] reads it.
func (f Fault) String() string {
	var words []string
	add := func(on bool, key, value string) {
		if on {
			words = append(words, key+"="+value)
		}
	}
	add(f.At > 0, "time", f.At.String())
	add(f.Line > 0, "line", strconv.FormatUint(f.Line, 10))
	add(f.Rate > 0, "rate", strconv.FormatFloat(f.Rate, 'g', -1, 64))
	add(f.For > 0, "for", f.For.String())
	add(f.Way != BothWays, "way", directionNames[max(0, min(2, int(f.Way)))])
	add(f.Bed, "heater", "bed")
	add(f.Restart, "restart", "true")
	if len(words) == 0 {
		return f.Kind.String()
	}
	return f.Kind.String() + "@" + strings.Join(words, ",")
}

// ParseFault reads a fault in the form kind@key=value,key=value, for example
// "reset@line=500", "unplug@time=90s,for=5s" or "flip@rate=1e-4,way=board". Keys are
// time, line, rate, for, way (both, board, host), heater (nozzle, bed) and restart
// (true, false). The error names every word that is wrong.
func ParseFault(text string) (Fault, error) {
	var f Fault
	name, rest, more := strings.Cut(text, "@")
	f.Kind = -1
	for i, n := range faultNames {
		if n == name {
			f.Kind = FaultKind(i)
		}
	}
	var errs []error
	if f.Kind < 0 {
		errs = append(errs, fmt.Errorf("kind %q is unknown; use one of %s", name, strings.Join(faultNames[:], ", ")))
	}
	if more {
		seen := make(map[string]bool)
		for _, word := range strings.Split(rest, ",") {
			key, value, _ := strings.Cut(word, "=")
			if seen[key] {
				errs = append(errs, fmt.Errorf("key %q comes twice", key))
			}
			seen[key] = true
			if err := f.word(key, value); err != nil {
				errs = append(errs, err)
			}
		}
	}
	if len(errs) == 0 {
		if err := f.check(); err != nil {
			errs = append(errs, err)
		}
	}
	if len(errs) > 0 {
		return Fault{}, fmt.Errorf("cannot read fault %q: %w", text, errors.Join(errs...))
	}
	return f, nil
}

// word sets one key of a fault.
func (f *Fault) word(key, value string) (err error) {
	oneOf := func(names ...string) int {
		for i, n := range names {
			if n == value {
				return i
			}
		}
		err = fmt.Errorf("%s %q must be one of %s", key, value, strings.Join(names, ", "))
		return 0
	}
	wrap := func(e error, want string) {
		if e != nil {
			err = fmt.Errorf("%s %q is not %s", key, value, want)
		}
	}
	switch key {
	case "time":
		f.At, err = time.ParseDuration(value)
		wrap(err, "a duration such as 90s")
	case "for":
		f.For, err = time.ParseDuration(value)
		wrap(err, "a duration such as 5s")
	case "line":
		f.Line, err = strconv.ParseUint(value, 10, 63)
		wrap(err, "a whole number")
	case "rate":
		f.Rate, err = strconv.ParseFloat(value, 64)
		wrap(err, "a number such as 1e-4")
	case "way":
		f.Way = Direction(oneOf(directionNames[:]...))
	case "heater":
		f.Bed = oneOf("nozzle", "bed") == 1
	case "restart":
		f.Restart = oneOf("false", "true") == 1
	default:
		err = fmt.Errorf("key %q is unknown; use time, line, rate, for, way, heater or restart", key)
	}
	return err
}

// check returns everything that is wrong with the fault.
func (f Fault) check() error {
	var errs []error
	bad := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	bad(f.Kind >= 0 && int(f.Kind) < len(faultNames), "kind %d is unknown", f.Kind)
	bad(f.At >= 0 && f.For >= 0, "time and for must not be negative")
	bad(f.Rate >= 0 && f.Rate <= 1, "rate %v must lie between 0 and 1", f.Rate)
	bad(f.Way >= BothWays && f.Way <= ToHost, "way %d is unknown", f.Way)
	triggers := 0
	for _, set := range []bool{f.At > 0, f.Line > 0, f.Rate > 0} {
		if set {
			triggers++
		}
	}
	bad(triggers <= 1, "give one of time, line and rate, not several")
	lasts := f.Kind == Delay || f.Kind == Silence || f.Kind == Busy
	bad(!lasts || f.For > 0, "%v needs a duration: for=2s", f.Kind)
	bad(lasts || f.Kind == Unplug || f.Kind == NoMains || f.For == 0, "%v does not last; leave out for", f.Kind)
	bad(f.Kind <= Delay || f.Way == BothWays, "%v has no way", f.Kind)
	bad(f.Kind >= NoHeat && f.Kind <= OldReadings || !f.Bed, "%v has no heater", f.Kind)
	bad(f.Kind == Unplug || !f.Restart, "only unplug takes restart")
	return errors.Join(errs...)
}
