package job

import (
	"math"

	"beltwarden/supervisor/gcode"
)

// reach finds how far the nozzle comes back towards earlier parts while it is no higher than the
// part: every earlier part stands there at full height. The part's height is known only at its end,
// so harmful moves above what has been printed so far are kept until then.
type reach struct {
	any    bool
	backMM float64 // furthest back at or below the height printed so far
	above  [reachKept]lowPoint
	n      int
}

const reachKept = 8

// lowPoint is a place above the height printed so far. alongMM grows towards
// later parts.
type lowPoint struct{ alongMM, heightMM float64 }

// move adds one move: its minimum along the belt, its minimum height, and the height printed so
// far, its own plastic included.
func (r *reach) move(alongMM, heightMM, topMM float64) {
	if !r.any {
		r.any, r.backMM = true, math.Inf(1)
	}
	for k := 0; k < r.n; {
		if r.above[k].heightMM > topMM {
			k++
			continue
		}
		r.backMM = math.Min(r.backMM, r.above[k].alongMM)
		r.n--
		r.above[k] = r.above[r.n]
	}
	switch {
	case alongMM >= r.backMM:
	case heightMM <= topMM:
		r.backMM = alongMM
	default:
		r.keep(lowPoint{alongMM, heightMM})
	}
}

// keep adds a place unless a kept one is both lower and further back. If there is no room, it is
// merged with another into one worse than both.
func (r *reach) keep(p lowPoint) {
	for k := 0; k < r.n; {
		q := r.above[k]
		switch {
		case q.alongMM <= p.alongMM && q.heightMM <= p.heightMM:
			return
		case p.alongMM <= q.alongMM && p.heightMM <= q.heightMM:
			r.n--
			r.above[k] = r.above[r.n]
		default:
			k++
		}
	}
	if r.n == reachKept {
		q := &r.above[0]
		q.alongMM, q.heightMM = math.Min(q.alongMM, p.alongMM), math.Min(q.heightMM, p.heightMM)
		return
	}
	r.above[r.n] = p
	r.n++
}

// lowest is the least coordinate of an axis during a move, free of G92 shifts,
// times a sign.
func lowest(e *gcode.Effect, st *gcode.State, a gcode.Axis, sign int) float64 {
	if sign < 0 {
		return -(e.MaxMM[a] + st.OffsetMM[a])
	}
	return e.MinMM[a] + st.OffsetMM[a]
}

// lift is the axis that takes the nozzle away from the belt.
func (o *Options) lift() gcode.Axis {
	if o.BeltAxis == gcode.Z {
		return gcode.Y
	}
	return gcode.Z
}
