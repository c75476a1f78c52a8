package job

import (
	"bytes"
	"fmt"
	"io"
	"math"

	"beltwarden/supervisor/gcode"
)

// Where a part begins that nothing marks. Slicers for machines that make one part put filament
// down in a stroke or two beside it, to fill the nozzle; a part made after another needs neither
// the filament nor the belt. What shows the purge, in the order of its weight:
//
//   - a comment that names the first layer, behind moves that extrude;
//   - strokes at one height, few, beside all that follows, and ended by a drawing back, a lift
//     or a new zero of the extruder.

// mostStrokes is how many extruding moves a purge has at most: strokes, their ends, a wipe
// (common practice, no source).
const mostStrokes = 16

// mostPurgeMoves is how many moves a purge line commonly has (common practice, no source).
const mostPurgeMoves = 6

// besideMM is how far a purge lies from the part at least.
const besideMM = 0.5

// box is an extent in X and Y, mm, free of G92 shifts.
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

// beside reports whether two boxes lie apart.
func (b *box) beside(o *box) bool {
	return b.any && o.any && (b.maxX+besideMM <= o.minX || o.maxX+besideMM <= b.minX || b.maxY+besideMM <= o.minY || o.maxY+besideMM <= b.minY)
}

// stroke is an extruding move ahead, and what stands between it and the one before.
type stroke struct {
	line   int64
	z      float64
	box    box
	mark   string // a comment that names a layer
	markAt int64
	parted bool  // drawn back, lifted, or the extruder set to 0 again
	zeroAt int64 // line that sets it to 0, 0 for none
}

// partBegin is where the part begins and by what.
type partBegin struct {
	line int64 // of its first extruding move
	why  string
	// Where nothing shows a purge, and the first moves look like one: how many they are, and the
	// line that sets the extruder to 0 after them.
	perhaps, zeroAt int64
}

// findPart looks ahead from the first extruding move, at the line at hand, for where the part
// begins. It is the line at hand where nothing shows a purge.
func (i *inspector) findPart() partBegin {
	begin := partBegin{line: i.n}
	if i.use.layerMark > 0 {
		return begin // it has begun already
	}
	ahead := i.ahead(i.from)
	if ahead == nil {
		return begin
	}
	v := viewer{st: i.st, n: i.n - 1}
	for !v.enough() {
		text, _, _, err := ahead.next()
		if err == io.EOF {
			break
		}
		v.n++
		if err == nil {
			v.line(text)
		}
	}
	if at, ok := v.byMark(); ok {
		return at
	}
	if at, ok := v.byPlace(); ok && i.o.BeltAxis == gcode.Y {
		return at
	}
	for k := 1; k < len(v.strokes) && k <= mostPurgeMoves; k++ {
		if at := v.strokes[k].zeroAt; at > 0 {
			begin.perhaps, begin.zeroAt = int64(k), at
			break
		}
	}
	return begin
}

// viewer follows the lines ahead.
type viewer struct {
	st      gcode.State
	l       gcode.Line
	e       gcode.Effect
	n       int64
	strokes []stroke // the first of them
	next    stroke   // what stands before the one to come
	rest    box      // of all strokes beyond those kept
	high    bool     // among those beyond is a second height
	after   int
}

const (
	keptStrokes = 64
	// A part's first layers; after so many moves what came before is known to stay alone.
	viewedStrokes = 20_000
)

func (v *viewer) enough() bool { return v.after >= viewedStrokes }

// line takes one line in.
func (v *viewer) line(text []byte) {
	if v.l.Parse(text) != nil {
		return
	}
	if v.l.Letter == 0 {
		if v.next.mark == "" {
			if name := layerMark(text); name != "" {
				v.next.mark, v.next.markAt = name, v.n
			}
		}
		return
	}
	if v.st.ApplyLine(&v.l, &v.e) != nil {
		return
	}
	e := &v.e
	switch {
	case e.Kind == gcode.KindSet && v.l.Is('G', 92) && v.l.Has('E'):
		v.next.parted, v.next.zeroAt = true, v.n
	case e.Kind == gcode.KindRetract:
		v.next.parted = true
	case e.Kind != gcode.KindMove:
	case e.Extruding:
		v.extrudes()
	case e.ExtrudedMM < 0, e.Delta(gcode.Z) > 0:
		v.next.parted = true
	}
}

func (v *viewer) extrudes() {
	s := v.next
	v.next = stroke{}
	s.line, s.z = v.n, v.st.MachineMM(gcode.Z)
	s.box.add(&v.e, &v.st)
	if len(v.strokes) < keptStrokes {
		v.strokes = append(v.strokes, s)
		return
	}
	v.after++
	v.rest.add(&v.e, &v.st)
	v.high = v.high || s.z > v.strokes[0].z+layerStepMM
}

// from is the extent of all strokes from the k-th on, and whether they have more than one height.
func (v *viewer) from(k int) (b box, high bool) {
	b, high = v.rest, v.high
	for n := k; n < len(v.strokes); n++ {
		s := &v.strokes[n]
		if !b.any {
			b = s.box
		} else if s.box.any {
			b.minX, b.maxX, b.minY, b.maxY = min(b.minX, s.box.minX), max(b.maxX, s.box.maxX), min(b.minY, s.box.minY), max(b.maxY, s.box.maxY)
		}
		high = high || math.Abs(s.z-v.strokes[k].z) > layerStepMM
	}
	return b, high
}

// upTo is the extent of the strokes before the k-th, and whether they lie at one height.
func (v *viewer) upTo(k int) (b box, flat bool) {
	flat = true
	for n := range k {
		s := &v.strokes[n]
		if n == 0 {
			b = s.box
		} else {
			b.minX, b.maxX, b.minY, b.maxY = min(b.minX, s.box.minX), max(b.maxX, s.box.maxX), min(b.minY, s.box.minY), max(b.maxY, s.box.maxY)
		}
		flat = flat && math.Abs(s.z-v.strokes[0].z) <= layerStepMM
	}
	return b, flat
}

// byMark: the first comment that names a layer stands behind moves that extrude. They are the
// purge, unless the layer goes on above them: then the comments begin with the second layer.
func (v *viewer) byMark() (partBegin, bool) {
	for k := 1; k < len(v.strokes) && k <= mostStrokes; k++ {
		s := &v.strokes[k]
		if s.mark == "" {
			continue
		}
		before, _ := v.upTo(k)
		after, _ := v.from(k)
		if s.z > v.strokes[k-1].z+layerStepMM && !before.beside(&after) {
			return partBegin{}, false
		}
		return partBegin{line: s.line, why: fmt.Sprintf("the comment %q in line %d names its first layer", s.mark, s.markAt)}, true
	}
	return partBegin{}, false
}

// byPlace: few strokes at one height lie beside all that follows, which has more than one.
func (v *viewer) byPlace() (partBegin, bool) {
	for k := min(mostStrokes, len(v.strokes)-1); k >= 1; k-- {
		s := &v.strokes[k]
		if !s.parted {
			continue
		}
		before, flat := v.upTo(k)
		after, high := v.from(k)
		if flat && high && before.beside(&after) {
			return partBegin{line: s.line, why: fmt.Sprintf("%d strokes before it lie beside the part, at one height", k)}, true
		}
	}
	return partBegin{}, false
}

// layerMark returns a comment that names the beginning of a layer, and nothing for any other.
// Slicers write, in any case: LAYER:0, layer 1 of 6, LAYER_CHANGE, BEFORE_LAYER_CHANGE, CHANGE LAYER,
// layer num: 1/50, "layer 2, Z = 0.4"; and they write settings such as layer_height = 0.2, which are none.
func layerMark(text []byte) string {
	at := bytes.IndexByte(text, ';')
	if at < 0 || len(bytes.TrimSpace(text[:at])) > 0 {
		return ""
	}
	text = bytes.TrimSpace(text[at+1:])
	if len(text) > 60 {
		text = text[:60]
	}
	words := bytes.FieldsFunc(text, func(r rune) bool {
		return r == ' ' || r == '_' || r == '-' || r == '#' || r == '<' || r == '>' || r == ':' || r == '\t' || r == '='
	})
	has := func(k int, word string) bool { return k < len(words) && bytes.EqualFold(words[k], []byte(word)) }
	k := 0
	if has(0, "before") || has(0, "begin") || has(0, "start") || has(0, "new") {
		if k++; has(1, "of") {
			k++
		}
	}
	switch {
	case has(0, "change") && has(1, "layer") && len(words) == 2, has(k, "layer") && has(k+1, "change") && len(words) == k+2:
		return string(text)
	case !has(k, "layer"):
		return ""
	}
	if k++; k < len(words) && len(words[k]) >= 3 && bytes.EqualFold(words[k][:3], []byte("num")) {
		if k = len(words) - 1; !isCount(words[k]) {
			return ""
		}
	}
	if k < len(words) && isCount(words[k]) && !bytes.ContainsRune(text, '=') || k+1 < len(words) && isCount(words[k]) && (has(k+1, "Z") || has(k+1, "of")) {
		return string(text)
	}
	return ""
}

// isCount reports whether a word is a whole number, one of a total (1/50), or one before a comma.
func isCount(word []byte) bool {
	digits := 0
	for k, c := range word {
		switch {
		case c >= '0' && c <= '9':
			digits++
		case (c == '/' || c == ',') && digits > 0 && (k+1 == len(word) || c == '/'):
		default:
			return false
		}
	}
	return digits > 0
}
