package job

import (
	"io"
	"math"

	"beltwarden/supervisor/gcode"
)

// How far ahead to look for the extruder's mode.
const (
	modeLines    = 4000
	modeMoves    = 300
	minModeMoves = 6 // extruding moves that show anything
)

// Slicers write nearly the same filament per path length from move to move, never more than
// maxPerMM (a bead as high and wide as the filament has 1), and retract only during travel. Common
// practice, no source.
const (
	maxPerMM       = 1.0
	maxAbsurdRight = 0.1 // of all moves, wipes among them
	minAbsurdWrong = 0.3
	spreadRatio    = 2.5 // ratio by which the spread of the right reading must be smaller
	// For small parts of slicers that wipe while they retract.
	maxAbsurdWithWipes   = 0.3
	absurdMargin         = 0.25 // more than in the right reading
	neverRightAbsurd     = 0.5  // a reading with more is wrong
	spreadRatioWithWipes = 1.5
)

// reading is one of the two readings of the E words ahead.
type reading struct {
	st       gcode.State
	moves    int
	absurd   int
	sum, sq  float64 // of the logarithm of filament per path
	positive int
}

// add adds a move that has an E word.
func (r *reading) add(e *gcode.Effect) {
	r.moves++
	if e.ExtrudedMM <= 0 || e.ExtrudedMM > maxPerMM*e.PathMM {
		r.absurd++
	}
	if e.ExtrudedMM > 0 {
		v := math.Log(e.ExtrudedMM / e.PathMM)
		r.positive, r.sum, r.sq = r.positive+1, r.sum+v, r.sq+v*v
	}
}

// spread is the standard deviation of the logarithm of filament per path.
func (r *reading) spread() float64 {
	n := float64(r.positive)
	return math.Sqrt(max(0, r.sq/n-r.sum/n*r.sum/n))
}

// modeAhead reads ahead, from state st, whether E words are relative; it is not certain if the
// moves that follow make sense in both ways, or are too few.
func modeAhead(st *gcode.State, ahead *source) (relative, certain bool) {
	if ahead == nil {
		return false, false
	}
	as := [2]reading{{st: *st}, {st: *st}} // absolute, relative
	as[0].st.RelativeE, as[1].st.RelativeE = false, true
	var l gcode.Line
	var e gcode.Effect
	for n := 0; n < modeLines && as[0].moves < modeMoves; n++ {
		text, _, _, err := ahead.next()
		if err == io.EOF {
			break
		}
		if err != nil || !l.ParseMove(text) && l.Parse(text) != nil {
			continue
		}
		if l.Is('M', 82) || l.Is('M', 83) {
			break
		}
		for k := range as {
			if as[k].st.ApplyLine(&l, &e) != nil || e.Kind != gcode.KindMove || !l.Has('E') {
				continue
			}
			if d := e.Deltas(); d[gcode.X] != 0 || d[gcode.Y] != 0 || d[gcode.Z] != 0 {
				as[k].add(&e)
			}
		}
	}
	abs, rel := &as[0], &as[1]
	if abs.moves < minModeMoves || rel.moves < minModeMoves {
		return false, false
	}
	bad := func(r *reading) float64 { return float64(r.absurd) / float64(r.moves) }
	wipes := func(right, wrong *reading) bool {
		return bad(right) <= maxAbsurdWithWipes && (bad(wrong) >= neverRightAbsurd || bad(wrong) >= bad(right)+absurdMargin && right.spread()*spreadRatioWithWipes < wrong.spread())
	}
	switch {
	case bad(rel) <= maxAbsurdRight && bad(abs) >= minAbsurdWrong:
		return true, true
	case bad(abs) <= maxAbsurdRight && bad(rel) >= minAbsurdWrong:
		return false, true
	case wipes(rel, abs):
		return true, true
	case wipes(abs, rel):
		return false, true
	case bad(abs) > maxAbsurdWithWipes || bad(rel) > maxAbsurdWithWipes:
		return false, false
	case abs.spread()*spreadRatio < rel.spread():
		return false, true
	case rel.spread()*spreadRatio < abs.spread():
		return true, true
	}
	return false, false
}
