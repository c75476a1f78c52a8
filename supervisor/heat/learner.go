package heat

import (
	"math"
	"time"
)

// Reading is one report of one heater.
type Reading struct {
	At      time.Duration // on a monotonic clock of the caller's
	C       float64       // measured, degrees Celsius
	TargetC float64       // 0: off
	// Assumed: the board does not report its target, and this is what was commanded last. It
	// may wait behind moves for a while.
	Assumed bool
	Duty    float64 // in the board's own units
	HasDuty bool
}

// How a span of readings is distinguished from what surrounds it.
const (
	// Close to its target a controller no longer drives fully: within a share of the
	// rise, and these bounds (common practice, no source). Where the board reports its
	// duty, the last degree alone is left out.
	nearShare, leastNearC, mostNearC = 0.2, 3, 10
	knownNearC                       = 1
	// lagC: the sensor answers late; a span begins once it has followed so far.
	lagC = 2
	// gap: over a longer silence the integral would be guessed.
	gap = 30 * time.Second
	// stuckAfter: a driven sensor that shows the very same for so long is not believed.
	stuckAfter = time.Minute
	// quiet: off and within a degree for so long, a body stands at ambient.
	quiet = 10 * time.Minute
	// maxAmbientC is the warmest room; above it a quiet reading is a stuck sensor.
	maxAmbientC = 45
	// misfitC and misfitShare: a span further from any exponential (root mean square,
	// degrees and share of its range) had a fan, a door or a fault in it.
	misfitC, misfitShare = 0.6, 0.015
)

// Learner makes a [Model] of one heater's readings. Each costs the same time, and
// memory does not grow. The zero value is ready; [NewLearner] goes on with a model.
type Learner struct {
	model       Model
	last        Reading
	seen        bool
	maxDuty     float64 // highest duty seen: fully on
	span        span
	held        held
	sawZeroDuty bool     // a drive of 0 was reported while a target was held
	sawPartDuty bool     // and one between none and full
	unusual     *Unusual // found and not yet fetched

	sinceC float64       // ambient: reading at since
	since  time.Duration // when the body was last seen to change by a degree, or not off
	off    bool
	rested bool // it has been quiet since it was last on
}

// span is a run of readings under one drive.
type span struct {
	drive      Drive
	startC     float64 // reading before the lag
	begun      bool    // the lag is over
	stuck      bool    // not believed any more
	from       time.Duration
	lastChange time.Duration // when the reading last changed
	lowC       float64
	highC      float64
	n          float64
	integral   float64
	lastC      float64
	lastAt     time.Duration
	mt, mi, m  float64 // means of time, integral and temperature
	sums       Sums
}

// NewLearner goes on with a model. One that cannot be right is forgotten.
func NewLearner(m Model) *Learner {
	if !m.valid() {
		m = Model{}
	}
	return &Learner{model: m}
}

// Model returns what is known by now.
func (l *Learner) Model() Model { return l.model }

// Unusual returns what the newest reading has shown to be unlike what was learned of the
// drive that holds a target; nil when nothing, and after it was fetched once.
func (l *Learner) Unusual() *Unusual {
	odd := l.unusual
	l.unusual = nil
	return odd
}

// Observe takes in a reading. It returns true when a warming, cooling or hold has ended
// that the model has learned from: the moment to keep it. Readings out of order and
// out of reason are passed over.
func (l *Learner) Observe(r Reading) bool {
	if !(r.C > -50 && r.C < 1000) || math.IsNaN(r.TargetC) || l.seen && r.At <= l.last.At {
		return false
	}
	drive := l.drive(r)
	learned := false
	if drive != l.span.drive || !l.seen || r.At-l.last.At > gap || r.TargetC != l.last.TargetC && drive == Full {
		learned = l.end()
		if l.rested || r.At-l.last.At >= quiet {
			l.model.Own.Fresh = false // nor is it by the cooling that has led there
		}
		l.span = span{drive: drive, startC: r.C, lastChange: r.At}
	}
	if drive != Part {
		l.span.observe(r, l.model.HasAmbient && math.Abs(r.C-l.model.AmbientC) < 5)
	}
	learned = l.hold(r) || learned
	l.ambient(r)
	l.last, l.seen = r, true
	return learned
}

// drive says what the heater does: by its duty where the board reports it, else by
// how far the target is.
func (l *Learner) drive(r Reading) Drive {
	from := r.C
	if l.span.drive != Part {
		from = l.span.startC
	}
	near := min(max(nearShare*math.Abs(r.TargetC-from), leastNearC), mostNearC)
	known := r.HasDuty && !math.IsNaN(r.Duty)
	if known {
		near = knownNearC
		l.maxDuty = max(l.maxDuty, r.Duty)
	}
	off := r.TargetC <= 0 || r.C > r.TargetC+near
	full := r.TargetC > 0 && r.C < r.TargetC-near
	if known {
		off = off && r.Duty <= 0
		full = full && r.Duty >= 0.95*l.maxDuty
	}
	switch {
	case off:
		return Off
	case full:
		return Full
	}
	return Part
}

// observe adds a reading to the span. A body near ambient may well stand still.
func (s *span) observe(r Reading, still bool) {
	if s.stuck {
		return
	}
	if !s.begun {
		way := r.C - s.startC
		if s.drive == Off {
			way = -way
		}
		if way < 0 {
			s.startC = r.C // still on its former way
		}
		if way < lagC {
			return
		}
		s.begun, s.from, s.lastAt, s.lastC, s.lastChange, s.lowC, s.highC = true, r.At, r.At, r.C, r.At, r.C, r.C
	}
	if r.C != s.lastC {
		s.lastChange = r.At
	} else if r.At-s.lastChange >= stuckAfter {
		s.stuck = true
		if !still {
			s.n = 0 // when it got stuck is not known
		}
		return
	}
	dt := (r.At - s.lastAt).Seconds()
	s.integral += dt * ((s.lastC+r.C)/2 - refC)
	s.lastAt, s.lastC = r.At, r.C
	s.lowC, s.highC = min(s.lowC, r.C), max(s.highC, r.C)
	// Running means and centred products, which lose no digits to large sums.
	s.n++
	t, i, c := (r.At - s.from).Seconds(), s.integral, r.C
	dt, di, dc := t-s.mt, i-s.mi, c-s.m
	s.mt, s.mi, s.m = s.mt+dt/s.n, s.mi+di/s.n, s.m+dc/s.n
	q := &s.sums
	q.TT, q.TI, q.TC = q.TT+dt*(t-s.mt), q.TI+dt*(i-s.mi), q.TC+dt*(c-s.m)
	q.II, q.IC, q.CC = q.II+di*(i-s.mi), q.IC+di*(c-s.m), q.CC+dc*(c-s.m)
}

// end adds the span to the model if it says enough, and reports whether it did.
func (l *Learner) end() bool {
	s := &l.span
	if s.n < spanReadings || s.highC-s.lowC < spanC {
		return false
	}
	a, b, ok := s.sums.solve()
	if !ok {
		return false
	}
	misfit := s.sums.misfit(a, b)
	if math.Sqrt(misfit/s.n) > misfitC+misfitShare*(s.highC-s.lowC) {
		return false
	}
	c := &l.model.Warming
	if s.drive == Off {
		c = &l.model.Cooling
	}
	s.sums.shiftZero(refC - l.model.roomC())
	if c.Spans == 0 {
		c.LowC, c.HighC = s.lowC, s.highC
	}
	c.Spans = min(c.Spans+1, 1000)
	c.Readings = c.Readings*keep + s.n
	c.LowC, c.HighC = min(c.LowC, s.lowC), max(c.HighC, s.highC)
	c.Sums.add(s.sums, keep)
	if s.drive == Off {
		l.model.Own.add(s.sums, l.model.Quiet)
	}
	c.Misfit, c.Free = c.Misfit*keep+misfit, c.Free*keep+s.n-3
	return true
}

// ambient follows the surroundings: the coldest reading of a heater that is off,
// until one has been quiet for long, which is then the word that counts.
func (l *Learner) ambient(r Reading) {
	off := r.TargetC <= 0 && !(r.HasDuty && r.Duty > 0)
	if !off || r.C > maxAmbientC {
		l.off, l.rested = false, false
		return
	}
	if !l.off || math.Abs(r.C-l.sinceC) > 1 || r.At-l.last.At > gap {
		l.off, l.since, l.sinceC = true, r.At, r.C
	}
	m := &l.model
	switch was := m.roomC(); {
	case r.At-l.since >= quiet:
		l.rested = true
		m.AmbientC, m.HasAmbient, m.Quiet = r.C, true, true
	case m.HasAmbient && r.C >= m.AmbientC:
	case m.Quiet:
		m.AmbientC = r.C // the room is colder than it was
	default: // so it was not so warm before
		m.AmbientC, m.HasAmbient = r.C, true
		for _, s := range []*Sums{&m.Warming.Sums, &m.Cooling.Sums, &m.Own.Newest} {
			s.shiftZero(was - r.C)
		}
	}
}
