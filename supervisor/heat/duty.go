package heat

import (
	"math"
	"time"
)

// Duties are the drives needed to hold the last few targets, newest first.
type Duties [4]Duty

// Duty is the drive that holds one target, in the board's own units: mean and variance over windows
// of three minutes. More drive for the same temperature means more loss: a fan blowing at the
// block, insulation that has come off, a sagging supply. Less means a sensor that begins to come
// out. Neither is a fault yet.
type Duty struct {
	TargetC float64 `json:"target_c"` // 0: none
	N       int     `json:"n"`        // windows, counted to 1000
	Mean    float64 `json:"mean"`
	Var     float64 `json:"var"`

	unusualInARow int  // unusual windows in a row
	reported      bool // they were reported
}

// Unusual is a drive that differs from the earlier one.
type Unusual struct {
	TargetC float64
	Was, Is float64       // in the board's own units
	Learned time.Duration // how long it was Was
}

// How the drive is learned and judged (common practice, no source: a controller that switches on
// and off needs a window over several of its cycles).
const (
	dutyWindow      = 3 * time.Minute
	dutySettle      = time.Minute // after the target was reached
	dutyWithinC     = 3           // from the target; beyond that it is not held
	minWindows      = 10
	unusualWindows  = 3    // windows in a row
	newUsualWindows = 20   // windows in a row after which the drive counts as usual
	unusualShare    = 0.35 // of the mean
	unusualSigmas   = 5
	maxDuty         = 10000 // beyond any board's units: the reply is damaged
	sameDutyC       = 0.5   // targets closer than this are the same
)

// held is a run of readings at a target that was reached.
type held struct {
	targetC float64
	from    time.Duration // from when it counts as settled
	begun   time.Duration // beginning of the window
	n, sum  float64
	fresh   bool // a window was learned since the target was reached
}

// hold learns the drive that holds a target, and notes an unusual one once. It returns true when a
// hold ends from which something was learned.
func (l *Learner) hold(r Reading) (learned bool) {
	s := &l.held
	if !r.HasDuty || !(r.Duty >= 0 && r.Duty <= maxDuty) || r.TargetC <= 0 || math.Abs(r.C-r.TargetC) > dutyWithinC ||
		r.TargetC != s.targetC || l.seen && r.At-l.last.At > gap {
		learned = s.fresh
		*s = held{targetC: r.TargetC, from: r.At + dutySettle}
		return learned
	}
	if r.At < s.from {
		return false
	}
	if s.n == 0 {
		s.begun = r.At
	}
	s.n++
	s.sum += r.Duty
	l.sawZeroDuty = l.sawZeroDuty || r.Duty == 0
	l.sawPartDuty = l.sawPartDuty || r.Duty > 0 && r.Duty < l.maxDuty
	if r.At-s.begun < dutyWindow {
		return false
	}
	mean := s.sum / s.n
	s.n, s.sum = 0, 0
	if l.sawZeroDuty && !l.sawPartDuty {
		return false // reports in step with its switching always show the same half of it
	}
	s.fresh = true
	if odd := l.model.Duties.of(r.TargetC).window(mean); odd != nil {
		l.unusual = odd
	}
	return false
}

// of returns the entry of a target, which becomes the newest.
func (d *Duties) of(targetC float64) *Duty {
	at := len(d) - 1 // the oldest makes room
	for i := range d {
		if d[i].TargetC > 0 && math.Abs(d[i].TargetC-targetC) <= sameDutyC {
			at = i
			break
		}
	}
	e := d[at]
	if math.Abs(e.TargetC-targetC) > sameDutyC {
		e = Duty{TargetC: targetC}
	}
	copy(d[1:at+1], d[:at])
	d[0] = e
	return &d[0]
}

// window applies the mean of one window.
func (d *Duty) window(mean float64) *Unusual {
	off := mean - d.Mean
	if d.N >= minWindows && d.Mean > 0 {
		bound := max(unusualSigmas*math.Sqrt(d.Var), unusualShare*d.Mean)
		switch {
		case math.Abs(off) <= bound/2:
			d.unusualInARow, d.reported = 0, false
		case math.Abs(off) <= bound:
			d.unusualInARow = 0
		default:
			d.unusualInARow++
			if d.unusualInARow >= newUsualWindows { // it has stayed so: another job, or another machine
				*d = Duty{TargetC: d.TargetC, N: 1, Mean: mean}
				return nil
			}
			if d.unusualInARow == unusualWindows && !d.reported {
				d.reported = true
				return &Unusual{TargetC: d.TargetC, Was: d.Mean, Is: mean, Learned: time.Duration(d.N) * dutyWindow}
			}
			return nil
		}
	}
	share := max(1/float64(d.N+1), 0.02)
	d.Mean += share * off
	d.Var = (1 - share) * (d.Var + share*off*off)
	d.N = min(d.N+1, 1000)
	return nil
}

// valid reports whether restored entries can be used.
func (d *Duties) valid() bool {
	for _, e := range d {
		for _, v := range []float64{e.TargetC, e.Mean, e.Var} {
			if !(v >= 0 && v <= 1e9) {
				return false
			}
		}
		if e.N < 0 {
			return false
		}
	}
	return true
}
