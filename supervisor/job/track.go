package job

import (
	"context"
	"errors"
	"io"
	"math"
	"time"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/motion"
)

// TrackPoint is where the belt is during one interval of a body's time.
type TrackPoint struct {
	At time.Duration // end of the stretch, from the start of the body
	// MinMM and MaxMM are the least and greatest position in it, + towards the drop
	// edge, from where the belt stands when the body begins.
	MinMM, MaxMM float64
}

// trackPoints is the largest number of intervals in a track: enough for a picture.
const trackPoints = 512

// Track reads the body again and returns the belt's position over its time. Options must be those
// of the inspection.
func (p *Plan) Track(ctx context.Context, o Options) ([]TrackPoint, error) {
	o, err := o.complete()
	if err != nil {
		return nil, err
	}
	r, err := p.Open(Body)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	t := tracer{forward: float64(o.Forward), belt: o.BeltAxis, width: 1, state: p.Begin, clock: newClock(&p.Begin, &o)}
	t.points = append(t.points, TrackPoint{})
	var line []byte
	var l gcode.Line
	var e gcode.Effect
	for n := 0; ; n++ {
		if n%4096 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		line, err = r.Next(line[:0])
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if err := l.Parse(line); err != nil {
			return nil, err
		}
		if err := t.state.ApplyLine(&l, &e); err != nil {
			return nil, err
		}
		t.clock.add(&e, &t.state, &o)
		t.add(&e)
	}
	return t.finish(), nil
}

// tracer keeps the belt's position over time in intervals of one width, which doubles when there
// are too many.
type tracer struct {
	forward float64
	belt    gcode.Axis
	state   gcode.State
	clock   clock
	width   float64 // of a stretch, s
	ended   float64 // end of the newest move, s
	points  []TrackPoint
	waiting [motion.MaxLookAhead + 1]TrackPoint // of moves that are not certain yet
	pushed  uint64
	known   uint64
	atMM    float64
}

// add adds the effect of a line.
func (t *tracer) add(e *gcode.Effect) {
	if e.Kind == gcode.KindMove && e.PathMM > 0 {
		from := t.state.PositionMM[t.belt] - e.Delta(t.belt)
		low, high := t.forward*(e.MinMM[t.belt]-from), t.forward*(e.MaxMM[t.belt]-from)
		q := &t.waiting[t.pushed%uint64(len(t.waiting))]
		q.MinMM, q.MaxMM = t.atMM+min(low, high), t.atMM+max(low, high)
		t.atMM += t.forward * e.Delta(t.belt)
		t.pushed++
	}
	t.certain()
}

// certain places the moves whose end is known by now.
func (t *tracer) certain() {
	done, seconds := t.clock.planner.Done()
	for ; t.known < min(done, t.pushed); t.known++ {
		t.place(seconds, t.waiting[t.known%uint64(len(t.waiting))])
	}
}

// place widens the stretch at a time by a range, and fills the stretches before it.
func (t *tracer) place(seconds float64, q TrackPoint) {
	for seconds >= t.width*trackPoints {
		t.halve()
	}
	last := &t.points[len(t.points)-1]
	for k := int(seconds / t.width); len(t.points) <= k; last = &t.points[len(t.points)-1] {
		// Between two ends the belt goes from the one to the other.
		t.points = append(t.points, TrackPoint{MinMM: q.MinMM, MaxMM: q.MaxMM})
	}
	last.MinMM, last.MaxMM = math.Min(last.MinMM, q.MinMM), math.Max(last.MaxMM, q.MaxMM)
	t.ended = seconds
}

// finish gives every stretch its time.
func (t *tracer) finish() []TrackPoint {
	t.clock.planner.Stop()
	t.certain()
	for k := range t.points {
		t.points[k].At = time.Duration(min(float64(k+1)*t.width, t.ended) * 1e9)
	}
	return t.points
}

// halve merges intervals two by two.
func (t *tracer) halve() {
	n := 0
	for k := 0; k < len(t.points); k += 2 {
		p := t.points[k]
		if k+1 < len(t.points) {
			q := t.points[k+1]
			p.MinMM, p.MaxMM = math.Min(p.MinMM, q.MinMM), math.Max(p.MaxMM, q.MaxMM)
		}
		t.points[n] = p
		n++
	}
	t.points = t.points[:n]
	t.width *= 2
}
