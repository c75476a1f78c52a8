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
	// Assumed: the board does not report its target, and TargetC was commanded last. The command
	// may wait behind moves for a while.
	Assumed bool
	Duty    float64 // in the board's own units
	HasDuty bool
}

// How a span of readings is told apart from what surrounds it.
const (
	// Close to its target a controller no longer drives fully: within a share of the rise, and
	// these bounds (common practice, no source). If the board reports its duty, only the last
	// degree is left out.
	nearShare, leastNearC, mostNearC = 0.2, 3, 10
	knownNearC                       = 1
	// lagC: the sensor responds late; a span begins once its reading has moved by this.
	lagC = 2
	// gap: over a longer pause between readings the integral would be a guess.
	gap = 30 * time.Second
	// stuckAfter: a driven sensor that shows the same value for this long is not believed.
	stuckAfter = time.Minute
	// quiet: a body whose heater is off and that stays within a degree for this long is at ambient.
	quiet = 10 * time.Minute
	// maxAmbientC is the warmest room; above it a quiet reading is a stuck sensor.
	maxAmbientC = 45
	// misfitC and misfitShare: a span that is further from any exponential (root mean square,
	// degrees and share of its range) was disturbed by a fan, a door or a fault.
	misfitC, misfitShare = 0.6, 0.015
)

// Learner builds a [Model] from one heater's readings. Each costs the same time, and memory does
// not grow. The zero value is ready; [NewLearner] continues with a stored model.
type Learner struct {
	model       Model
	last        Reading
	seen        bool
	maxDuty     float64 // highest duty seen: fully on
	span        span
	held        held
	sawZeroDuty bool     // a duty of 0 was reported while a target was held
	sawPartDuty bool     // and a duty between 0 and full
	unusual     *Unusual // found and not yet returned by Unusual

	sinceC float64       // ambient: reading at since
	since  time.Duration // when it last changed by a degree, or was not off
	off    bool
	rested bool // it has been at ambient since it was last on
}

// span is a run of readings under one drive.
type span struct {
	drive      Drive
	startC     float64 // reading before the lag
	begun      bool    // the lag is over
	stuck      bool    // its sensor seems stuck
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

// NewLearner continues with a model. An invalid one is dropped.
func NewLearner(m Model) *Learner {
	if !m.valid() {
		m = Model{}
	}
	return &Learner{model: m}
}

// Model returns what was learned so far.
func (l *Learner) Model() Model { return l.model }

// Unusual returns how the newest readings differ from the learned drive, nil if they do not. Each
// finding is returned once.
func (l *Learner) Unusual() *Unusual {
	odd := l.unusual
	l.unusual = nil
	return odd
}

// Observe applies a reading. It returns true when a warming, cooling or hold has ended from which
// the model has learned, so that it should be stored. It ignores readings that are out of order or
// implausible.
func (l *Learner) Observe(r Reading) bool {
	if !(r.C > -50 && r.C < 1000) || math.IsNaN(r.TargetC) || l.seen && r.At <= l.last.At {
		return false
	}
	drive := l.drive(r)
	learned := false
	if drive != l.span.drive || !l.seen || r.At-l.last.At > gap || r.TargetC != l.last.TargetC && drive == Full {
		learned = l.end()
		if l.rested || r.At-l.last.At >= quiet {
			l.model.Own.Fresh = false // the cooling that led there is no longer recent
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

// drive returns what the heater does: by its duty if the board reports it, otherwise by the
// distance to the target.
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

// observe adds a reading to the span. A body near ambient may stand still.
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
			s.startC = r.C // it still moves the other way
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
	// Running means and centred products lose no digits to large sums.
	s.n++
	t, i, c := (r.At - s.from).Seconds(), s.integral, r.C
	dt, di, dc := t-s.mt, i-s.mi, c-s.m
	s.mt, s.mi, s.m = s.mt+dt/s.n, s.mi+di/s.n, s.m+dc/s.n
	q := &s.sums
	q.TT, q.TI, q.TC = q.TT+dt*(t-s.mt), q.TI+dt*(i-s.mi), q.TC+dt*(c-s.m)
	q.II, q.IC, q.CC = q.II+di*(i-s.mi), q.IC+di*(c-s.m), q.CC+dc*(c-s.m)
}

// end adds the span to the model if it is long enough, and reports whether it did.
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

// ambient follows the surroundings: the coldest reading of a heater that is off, until one has been
// steady for long enough, which then counts.
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
	default: // so it was colder before too
		m.AmbientC, m.HasAmbient = r.C, true
		for _, s := range []*Sums{&m.Warming.Sums, &m.Cooling.Sums, &m.Own.Newest} {
			s.shiftZero(was - r.C)
		}
	}
}
