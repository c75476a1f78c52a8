package job

import (
	"fmt"
	"math"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/gcode"
)

// HeadStep is how far the head, and the beam it hangs on, reaches along the belt with everything
// that is more than AboveMM above the nozzle's tip.
type HeadStep struct {
	AboveMM float64
	FrontMM float64 // towards the drop edge
	// BehindMM is how far it reaches away from the drop edge. It needs no pitch: earlier parts are
	// never there while the head is lower than they are.
	BehindMM float64
}

// Placing is where parts may lie on the belt. All along the belt is measured from where the nozzle
// is when the body begins, in terms of the part's own plastic, + away from the drop edge.
type Placing struct {
	// FootprintMM is [nearest to the drop edge, furthest from it].
	FootprintMM [2]float64 `json:"footprint_mm"`
	WidthMM     float64    `json:"width_mm"`
	HeightMM    float64    `json:"height_mm"`
	// LeastPitchMM is the least advance from part to part without a collision, and
	// PitchWhy is what requires it.
	LeastPitchMM float64 `json:"least_pitch_mm"`
	PitchWhy     string  `json:"pitch_why"`
	// BehindNozzleMM is how far the body carries its own plastic, or a part made
	// earlier, back behind the nozzle.
	BehindNozzleMM float64 `json:"behind_nozzle_mm"`
	// BackMM is the longest way back of the belt during one body, by which parts
	// made earlier come back too.
	BackMM float64 `json:"back_mm"`
	// AheadOfNozzleMM is the furthest that plastic lies ahead of the nozzle while the
	// part is printed.
	AheadOfNozzleMM float64 `json:"ahead_of_nozzle_mm"`
	// ToDropMM is from the nozzle to the drop edge; 0 is unknown, and then the two
	// figures below are 0 too.
	ToDropMM float64 `json:"to_drop_mm"`
	// FirstDropCycle is the cycle in which the first part falls, during its body
	// (DropsWhilePrinting) or its discharge.
	FirstDropCycle     int  `json:"first_drop_cycle"`
	DropsWhilePrinting bool `json:"drops_while_printing"`
	// PartsOnBelt is the most finished parts that lie on the belt at one time.
	PartsOnBelt int `json:"parts_on_belt"`
	// Seam is nil when the length of the loop is not known.
	Seam *SeamPlacing `json:"seam"`
}

// SeamPlacing is how a part fits between passages of the seam.
type SeamPlacing struct {
	LoopMM float64 `json:"loop_mm"`
	SeamMM float64 `json:"seam_mm"`
	// Fits reports whether the footprint has room between two passages of the seam.
	Fits         bool `json:"fits"`
	PartsPerLoop int  `json:"parts_per_loop"`
	// LongestExtraMM is the longest advance beyond the pitch that a part may need.
	LongestExtraMM float64 `json:"longest_extra_advance_mm"`
}

// ride follows the belt under a part: how far plastic gets from the nozzle. All is along the belt,
// + away from the drop edge, without G92 shifts.
type ride struct {
	any         bool
	highMM      float64 // furthest forward that the belt has been
	lowMM       float64 // furthest back
	backMM      float64 // longest way back
	behindMM    float64 // of own plastic behind the nozzle
	aheadMM     float64 // of own plastic ahead of it, so far
	printingMM  float64 // the same up to the newest extruding move
	sinceHighMM float64 // furthest forward since the newest extruding move began
}

// move adds one move: its extremes along the belt, and those of the plastic laid so far, its own
// included.
func (r *ride) move(low, high float64, plastic bool, first, last float64, extruding bool) {
	if !r.any {
		r.any, r.highMM, r.lowMM = true, high, low
	}
	raise(&r.highMM, high)
	if low < r.lowMM {
		r.lowMM = low
	}
	raise(&r.backMM, r.highMM-low)
	raise(&r.sinceHighMM, high)
	if !plastic {
		return
	}
	raise(&r.behindMM, last-low)
	raise(&r.aheadMM, high-first)
	if extruding {
		r.printingMM, r.sinceHighMM = r.aheadMM, high
	}
}

// raise sets a figure to at least v. It is rarely needed, so a branch is faster than max.
func raise(to *float64, v float64) {
	if v > *to {
		*to = v
	}
}

// along is [first, last] of the part along the belt.
func (m *measures) along(o *Options) (first, last float64) {
	if o.Forward < 0 {
		return -m.maxMM[o.BeltAxis], -m.minMM[o.BeltAxis]
	}
	return m.minMM[o.BeltAxis], m.maxMM[o.BeltAxis]
}

// leastPitch is the least belt advance from part to part, and what requires it.
//
// The parts made before stand at full height H towards the drop edge, the nearest
// with its trailing edge one pitch ahead of this part's. Whatever of the machine is
// less than H above the belt during a move must stay behind that edge, by the gap:
// the nozzle's tip, and each step of the head, which is AboveMM higher and FrontMM
// nearer. The nozzle's tip always matters, since it goes down to the belt.
//
// On a tilted gantry the layers are parallel planes along the belt, and the head is
// behind the plane that it prints: the extent along the belt and the gap keep the
// last plane of one part clear of the first plane of the next, however high they are.
func (m *measures) leastPitch(o *Options) (pitchMM float64, why string) {
	first, last := m.along(o)
	pitchMM, why = last-first+o.GapMM, "the part's length and the gap"
	if back := m.backMM(o); back > 0 {
		pitchMM, why = pitchMM+back, fmt.Sprintf("the part's length, the gap, and the nozzle that goes %.2f mm beyond the part without rising above it", back)
	}
	if o.BeltAxis == gcode.Z {
		return pitchMM, why
	}
	height := m.heightMM(o)
	for _, h := range o.Head {
		if h.AboveMM > height {
			continue // it passes over the parts
		}
		furthest := m.stairs.furthestBack(m.maxMM[o.lift()] - h.AboveMM)
		if need := last - (furthest - h.FrontMM) + o.GapMM; need > pitchMM {
			pitchMM = need
			why = fmt.Sprintf("the head, which %g mm above the nozzle reaches %g mm towards the drop edge, beside parts %.2f mm high", h.AboveMM, h.FrontMM, height)
		}
	}
	return pitchMM, why
}

// heightMM is the part's height above the belt. The belt's surface is the zero of the
// lift axis; a part that begins above it is held to stand on it all the same.
func (m *measures) heightMM(o *Options) float64 {
	a := o.lift()
	return m.maxMM[a] - min(0, m.minMM[a])
}

// placing computes where parts of this job may lie, once the body's ends and the pitch are known.
func (m *measures) placing(p *Plan, o *Options) Placing {
	first, last := m.along(o)
	origin := float64(o.Forward) * p.Begin.MachineMM(o.BeltAxis)
	s := belt.Span{FromMM: first - origin, ToMM: last - origin}
	l := Placing{FootprintMM: [2]float64{s.FromMM, s.ToMM}, WidthMM: m.maxMM[gcode.X] - m.minMM[gcode.X],
		HeightMM: m.heightMM(o), BackMM: m.ride.backMM, AheadOfNozzleMM: m.ride.printingMM, ToDropMM: o.ToDropMM}
	l.LeastPitchMM, l.PitchWhy = m.leastPitch(o)
	// The part before lies a pitch nearer to the edge, but it is there from the start.
	l.BehindNozzleMM = max(0, m.ride.behindMM, last-p.PitchMM-m.ride.lowMM)
	if o.ToDropMM > 0 {
		l.FirstDropCycle, l.DropsWhilePrinting, l.PartsOnBelt = drops(p.PitchMM, m.ride.highMM-origin, m.ride.sinceHighMM-origin, s.ToMM+o.ToDropMM)
	}
	if o.LoopMM > 0 {
		loop := belt.Loop{LengthMM: o.LoopMM, SeamMM: o.SeamMM}
		l.Seam = &SeamPlacing{LoopMM: o.LoopMM, SeamMM: o.SeamMM, Fits: loop.Fits(s),
			PartsPerLoop: loop.PartsPerLoop(s, p.PitchMM), LongestExtraMM: loop.LongestExtraMM(s)}
	}
	return l
}

// drops returns which cycle drops the first part, and how many finished parts lie on the
// belt at most.
//
// Count the belt's advance B from where the first body begins. Cycle k begins at
// (k-1)*pitch, gets as far as (k-1)*pitch + forward in its body, goes to and fro as it
// may, and its discharge ends at k*pitch. The first part's trailing edge is at the
// drop edge when B = dropAt, the edge's distance from the nozzle and the trailing
// edge's from the origin; what has fallen does not come back with the belt. So the
// body of cycle k drops it if (k-1)*pitch + forward >= dropAt, its discharge if
// k*pitch >= dropAt, whichever comes first; in the first cycle only the belt's
// advance after the last plastic counts (own). Later parts follow one a cycle. Just
// before a drop in body k there are k-1 finished parts on the belt, before one in
// discharge k there are k.
func drops(pitch, forward, own, dropAt float64) (cycle int, inBody bool, most int) {
	const slack = 1e-9
	if own >= dropAt-slack {
		return 1, true, 0
	}
	byDischarge := max(1, math.Ceil(dropAt/pitch-slack))
	byBody := max(2, math.Ceil((dropAt-forward)/pitch-slack)+1)
	if byBody <= byDischarge {
		return int(byBody), true, int(byBody) - 1
	}
	return int(byDischarge), false, int(byDischarge)
}
