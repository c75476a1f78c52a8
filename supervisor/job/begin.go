package job

import (
	"fmt"
	"io"
	"math"
	"math/bits"

	"beltwarden/supervisor/gcode"
)

// Where an unmarked part begins. Slicers for machines that make one part extrude a stroke or two
// beside it to fill the nozzle; a part made after another needs neither the filament nor the belt.
// Evidence of such a purge, by weight:
//
// - a sign of the first layer after moves that extrude, or of the first object or kind of line;
// - strokes in the air;
// - strokes at one height, few and without a loop, beside all that follows, and ended by a
// retraction, a lift, a travel or a new zero of the extruder.

// maxPurgeStrokes is the largest number of extruding moves in a purge: strokes, their ends, a wipe
// (common practice, no source).
const maxPurgeStrokes = 16

// maxPurgeLineMoves is the usual number of moves in a purge line (common practice, no source).
const maxPurgeLineMoves = 6

// besideMM is the smallest distance between a purge and the part.
const besideMM = 0.5

// box is an extent in X and Y, mm, without G92 shifts.
type box struct {
	any                    bool
	minX, maxX, minY, maxY float64
}

func (b *box) add(e *gcode.Effect, st *gcode.State) {
	x, y := st.OffsetMM[gcode.X], st.OffsetMM[gcode.Y]
	o := box{true, e.MinMM[gcode.X] + x, e.MaxMM[gcode.X] + x, e.MinMM[gcode.Y] + y, e.MaxMM[gcode.Y] + y}
	if !b.any {
		*b = o
		return
	}
	b.minX, b.maxX, b.minY, b.maxY = min(b.minX, o.minX), max(b.maxX, o.maxX), min(b.minY, o.minY), max(b.maxY, o.maxY)
}

// join extends the box to another one.
func (b *box) join(o *box) {
	switch {
	case !o.any:
	case !b.any:
		*b = *o
	default:
		b.minX, b.maxX, b.minY, b.maxY = min(b.minX, o.minX), max(b.maxX, o.maxX), min(b.minY, o.minY), max(b.maxY, o.maxY)
	}
}

// sides returns the sides of another box on which this one lies, one bit each.
func (b *box) sides(o *box) (bits uint8) {
	for k, apart := range [4]bool{b.maxX+besideMM <= o.minX, o.maxX+besideMM <= b.minX, b.maxY+besideMM <= o.minY, o.maxY+besideMM <= b.minY} {
		if apart {
			bits |= 1 << k
		}
	}
	return bits
}

// stroke is an extruding move ahead, and what comes between it and the previous one.
type stroke struct {
	line      int64
	z         float64
	box       box
	from, to  [2]float64 // X and Y
	pathMM    float64
	pushMM    float64
	sign      sign  // sign of what follows
	signAt    int64 // its line
	separated bool  // retracted, lifted, travelled, or the extruder set to 0 again
	zeroAt    int64 // line that sets it to 0, 0 for none
}

// partBegin is where the part begins, and the evidence.
type partBegin struct {
	line int64 // of its first extruding move
	why  string
	// If it is uncertain whether the first moves are a purge: how many they are, and why.
	maybePurge    int64
	maybePurgeWhy string
	evidence      []Evidence
}

// findPart reads ahead from the first extruding move, line n, to find where the part begins. st is
// the state before that line, signs are the signs before it. Without a purge the result is line n.
func findPart(st *gcode.State, n int64, ahead *source, signs [signKinds]bool, belt gcode.Axis) partBegin {
	begin := partBegin{line: n}
	if ahead == nil {
		return begin
	}
	v := lookahead{st: *st, n: n - 1, begun: signs, strokes: make([]stroke, 0, maxStrokes)}
	for !v.done() {
		text, _, _, err := ahead.next()
		if err == io.EOF {
			break
		}
		v.n++
		if err == nil {
			v.addLine(text)
		}
	}
	begin.evidence = v.evidence(belt)
	begun := v.begun[signLayer] || v.begun[signNumber]
	if at, ok := v.bySign(belt); ok && !begun {
		at.evidence = begin.evidence
		return at
	}
	k, certain := v.byPlace(belt)
	switch {
	case certain:
		at := v.at(k, "lie beside the part, at one height")
		at.evidence = begin.evidence
		return at
	case begun:
		return begin
	case k > 0:
		begin.maybePurge, begin.maybePurgeWhy = int64(k), "which lie beside all others"
	}
	for k := 1; begin.maybePurge == 0 && k < len(v.strokes) && k <= maxPurgeLineMoves; k++ {
		if at := v.strokes[k].zeroAt; at > 0 {
			begin.maybePurge, begin.maybePurgeWhy = int64(k), fmt.Sprintf("before the extruder is set to 0 in line %d", at)
		}
	}
	return begin
}

// at is the part that begins with the k-th stroke.
func (v *lookahead) at(k int, why string) partBegin {
	return partBegin{line: v.strokes[k].line, why: fmt.Sprintf("%d strokes before it %s", k, why)}
}

// lookahead collects what the lines ahead show.
type lookahead struct {
	st         gcode.State
	l          gcode.Line
	e          gcode.Effect
	n          int64
	strokes    []stroke // the first strokes
	next       stroke   // what comes before the next stroke
	rest       box      // extent of the strokes beyond those kept
	twoHeights bool     // they have a second height
	beyond     int
	decided    bool            // further lines change nothing
	begun      [signKinds]bool // signs before the first stroke
}

const (
	maxStrokes = 64
	// A part's first layers: after this many moves nothing else will come near the first strokes.
	maxLookahead = 20_000
	// Filament per path of a purge is at least this many times the part's (common practice, no source).
	thickFactor = 1.5
	// Strokes that enclose this much in both directions are a loop, not a purge (common practice, no source).
	loopMM = 2.0
	// A stroke of this length, this many times longer than the part's, belongs to a purge (common practice, no source).
	longMM       = 30.0
	longerFactor = 1.5
	// What is this much higher than the next stroke is in the air (common practice, no source).
	airMM = 1.0
	// A travel of this length separates strokes.
	separatingMM = 1.0
)

func (v *lookahead) done() bool { return v.beyond >= maxLookahead || v.decided }

// addLine adds one line.
func (v *lookahead) addLine(text []byte) {
	plain := v.l.ParseMove(text) // then there is no comment
	if !plain && v.l.Parse(text) != nil {
		return
	}
	if s := v.next.sign.kind; !plain && len(v.strokes) < maxStrokes && (s == noSign || s > signHeight) {
		if found := readSign(text, &v.l); found.kind != noSign && (s == noSign || found.layer()) {
			v.next.sign, v.next.signAt = found, v.n
		}
	}
	x, y := v.st.MachineMM(gcode.X), v.st.MachineMM(gcode.Y)
	if v.l.Letter == 0 || v.st.ApplyLine(&v.l, &v.e) != nil {
		return
	}
	e := &v.e
	switch {
	case e.Kind == gcode.KindSet && v.l.Is('G', 92) && v.l.Has('E'):
		v.next.separated, v.next.zeroAt = true, v.n
	case e.Kind == gcode.KindRetract:
		v.next.separated = true
	case e.Kind != gcode.KindMove:
	case e.Extruding:
		v.addStroke(x, y)
	case e.ExtrudedMM < 0, e.Delta(gcode.Z) > 0, e.PathMM > separatingMM:
		v.next.separated = true
	}
}

// addStroke adds the stroke of the present line, from a place.
func (v *lookahead) addStroke(x, y float64) {
	s := v.next
	v.next = stroke{}
	s.line, s.z = v.n, v.st.MachineMM(gcode.Z)
	s.box.add(&v.e, &v.st)
	s.from, s.to = [2]float64{x, y}, [2]float64{v.st.MachineMM(gcode.X), v.st.MachineMM(gcode.Y)}
	s.pathMM, s.pushMM = v.e.PathMM, v.e.ExtrudedMM
	if len(v.strokes) < maxStrokes {
		v.strokes = append(v.strokes, s)
		return
	}
	v.beyond++
	v.rest.join(&s.box)
	v.twoHeights = v.twoHeights || s.z > v.strokes[0].z+layerStepMM
	if v.beyond%256 == 1 {
		v.decided = !v.undecided()
	}
}

// undecided reports whether any strokes may still turn out to lie beside all others: the more
// follow, the fewer do.
func (v *lookahead) undecided() bool {
	for k := 1; k < len(v.strokes); k++ {
		if (k <= maxPurgeStrokes || v.strokes[k].sign.kind != noSign) && v.apart(k) {
			return true
		}
	}
	return false
}

// extentFrom is the extent of all strokes from the k-th on, and whether they have more than one
// height.
func (v *lookahead) extentFrom(k int) (b box, high bool) {
	b, high = v.rest, v.twoHeights
	for n := k; n < len(v.strokes); n++ {
		s := &v.strokes[n]
		b.join(&s.box)
		high = high || math.Abs(s.z-v.strokes[k].z) > layerStepMM
	}
	return b, high
}

// apart reports whether each stroke before the k-th lies beside all from it on, on at most two
// sides.
func (v *lookahead) apart(k int) bool {
	after, _ := v.extentFrom(k)
	var sides uint8
	for n := range k {
		s := v.strokes[n].box.sides(&after)
		if s == 0 {
			return false
		}
		if s&(s-1) == 0 { // a corner is no evidence
			sides |= s
		}
	}
	return bits.OnesCount8(sides) <= 2
}

// beside reports whether the strokes before the k-th lie apart from all from it on without closing
// a loop; looped: they do, except for a loop.
func (v *lookahead) beside(k int) (beside, looped bool) {
	if !v.apart(k) {
		return false, false
	}
	for n := range k {
		var b box
		for m := n; m < k; m++ {
			b.join(&v.strokes[m].box)
			if samePlace(v.strokes[n].from, v.strokes[m].to) && b.maxX-b.minX > loopMM && b.maxY-b.minY > loopMM {
				return false, true
			}
		}
	}
	return true, false
}

// samePlace reports whether two places differ by less than a line's width.
func samePlace(a, b [2]float64) bool { return math.Hypot(a[0]-b[0], a[1]-b[1]) < besideMM }

// flat reports whether the strokes before the k-th are at one height.
func (v *lookahead) flat(k int) bool {
	for n := range k {
		if math.Abs(v.strokes[n].z-v.strokes[0].z) > layerStepMM {
			return false
		}
	}
	return true
}

// above reports whether the strokes before the k-th are in the air above it, where no part begins.
func (v *lookahead) above(k int) bool {
	for n := range k {
		if v.strokes[n].z <= v.strokes[k].z+airMM {
			return false
		}
	}
	return true
}

// thick reports whether the strokes before the k-th have more filament per path than those after.
func (v *lookahead) thick(k int) bool {
	perMM := func(list []stroke) float64 {
		push, path := 0.0, 0.0
		for n := range list {
			push, path = push+list[n].pushMM, path+list[n].pathMM
		}
		return push / path
	}
	return perMM(v.strokes[:k]) > thickFactor*perMM(v.strokes[k:])
}

// long reports whether the strokes before the k-th are one or two, longer than all that follow:
// outlines and fillings have more, and the lines of a small part are equally long.
func (v *lookahead) long(k int) bool {
	if k > 2 || v.strokes[0].pathMM < longMM {
		return false
	}
	for n := k; n < len(v.strokes); n++ {
		if v.strokes[n].pathMM*longerFactor > v.strokes[0].pathMM {
			return false
		}
	}
	return true
}

// bySign finds the part by the first sign of a layer, an object or a kind of line after moves that
// extrude. They are the purge, unless the layer continues above them: then the signs begin with the
// second layer. Signs of objects and kinds of line may be missing elsewhere, so they need further
// evidence.
func (v *lookahead) bySign(belt gcode.Axis) (partBegin, bool) {
	if len(v.strokes) > 0 {
		v.begun[v.strokes[0].sign.kind] = true // written behind the first move itself
	}
	for k := 1; k < len(v.strokes); k++ {
		s := &v.strokes[k]
		if s.sign.kind == noSign || v.begun[s.sign.kind] {
			continue
		}
		apart, _ := v.beside(k)
		apart = apart || belt == gcode.Y && v.above(k)
		switch {
		case s.sign.kind == signLayer, s.sign.kind == signNumber && s.sign.number <= 0:
		case apart && (s.sign.kind != signNumber || s.sign.number == 1):
		case s.sign.kind == signLine || s.sign.kind == signObject:
			if k > maxPurgeStrokes || s.zeroAt == 0 || !v.thick(k) {
				continue
			}
		case s.sign.kind == signNumber && s.sign.number > 1, s.z > v.strokes[k-1].z+layerStepMM:
			return partBegin{}, false
		}
		return partBegin{line: s.line, why: fmt.Sprintf("%q in line %d %s", s.sign.text, s.signAt, s.sign.names())}, true
	}
	return partBegin{}, false
}

// byPlace finds a purge of few strokes at one height, beside all that follows or in the air. It is
// certain only with further evidence: more filament, a new zero of the extruder, another height.
func (v *lookahead) byPlace(belt gcode.Axis) (count int, certain bool) {
	if belt != gcode.Y {
		return 0, false // a tilted gantry's part grows along the belt, away from where it began
	}
	for k := min(maxPurgeStrokes, len(v.strokes)-1); k >= 1; k-- {
		s := &v.strokes[k]
		if !s.separated || !v.flat(k) {
			continue
		}
		beside, looped := v.beside(k)
		_, high := v.extentFrom(k)
		high = high && s.z < v.strokes[0].z+layerStepMM // otherwise they may be a first layer, and the second lies elsewhere
		switch {
		case beside && (high || s.zeroAt > 0 || v.thick(k) || v.long(k)), v.above(k):
			return k, true
		case count == 0 && (beside || looped && (s.zeroAt > 0 || v.thick(k))):
			count = k
		}
	}
	return count, false
}
