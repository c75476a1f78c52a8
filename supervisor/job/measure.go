package job

import (
	"math"

	"beltwarden/supervisor/gcode"
)

// layerStepMM is the smallest rise that counts as a new layer; smaller steps belong to a spiral or
// to noise in the file.
const layerStepMM = 0.02

// tally measures one part: from its beginning, as far as known, to the present line, and to its
// end, as far as known.
type tally struct {
	o    *Options
	now  measures
	part measures
	belt float64 // travel of the belt since the start of the file, mm
}

func newTally(o *Options, st *gcode.State) tally {
	return tally{o: o, now: measures{clock: newClock(st, o)}}
}

// begin starts over at the part's beginning. st is the state there.
func (t *tally) begin(st *gcode.State) { t.now = measures{clock: newClock(st, t.o)} }

// keepAsPart keeps the present measures as those of the part.
func (t *tally) keepAsPart() { t.part = t.now }

// add counts a line that is sent. st is the state after it.
func (t *tally) add(l *line, st *gcode.State) {
	t.belt += l.e.Travel(t.o.BeltAxis)
	t.now.bytes.add(l.size)
	t.now.add(&l.e, st, t.o)
}

// addInserted counts a line that is not in the file; nothing is saved on it.
func (t *tally) addInserted(text string) {
	n := int64(len(text)) + 1
	t.now.bytes.add(size{n, n})
}

// remove subtracts a line that is withheld after all.
func (t *tally) remove(s size) { t.now.bytes.sub(s) }

// beltMM is the belt's travel since the start of the file.
func (t *tally) beltMM() float64 { return t.belt }

// partMeasures returns the part's measures, as far as known.
func (t *tally) partMeasures() *measures { return &t.part }

// beyond reports whether the nozzle is outside what the part has touched, by mm.
func (t *tally) beyond(st *gcode.State, mm float64) bool {
	for _, a := range [2]gcode.Axis{gcode.X, t.o.BeltAxis} {
		if at := st.PositionMM[a] + st.OffsetMM[a]; at < t.now.minMM[a]-mm || at > t.now.maxMM[a]+mm {
			return true
		}
	}
	return false
}

// afterMM is the belt's travel after the part.
func (t *tally) afterMM() float64 { return t.now.travelMM - t.part.travelMM }

// measures are running sums from some line on.
type measures struct {
	travelMM    float64    // belt, absolute
	filamentMM  float64    // net
	grossMM     float64    // sum of pushes
	travelMinMM [3]float64 // all moves, as minMM
	travelMaxMM [3]float64
	moved       bool
	minMM       [3]float64 // touched while extruding, free of G92 shifts
	maxMM       [3]float64
	extruded    bool
	topMM       float64 // highest layer
	layers      int64
	reach       reach
	stairs      stairs
	ride        ride
	clock       clock
	bytes       size
}

// size is the length of lines in the file and on the wire, each line end counted as one byte.
type size struct{ source, wire int64 }

func (s *size) add(o size) { s.source, s.wire = s.source+o.source, s.wire+o.wire }

func (s *size) sub(o size) { s.source, s.wire = s.source-o.source, s.wire-o.wire }

// add counts one sent line. st is the state after it.
func (m *measures) add(e *gcode.Effect, st *gcode.State, o *Options) {
	m.clock.add(e, st, o)
	if e.Kind != gcode.KindMove {
		return
	}
	m.travelMM += e.Travel(o.BeltAxis)
	m.filamentMM += e.ExtrudedMM
	m.grossMM += max(0, e.ExtrudedMM)
	if e.Extruding {
		m.addPlastic(e, st, o)
	}
	if e.PathMM > 0 {
		top := math.Inf(-1)
		if m.extruded {
			top = m.maxMM[o.lift()]
		}
		low, height := lowest(e, st, o.BeltAxis, o.Forward), lowest(e, st, o.lift(), 1)
		m.reach.move(low, height, top)
		if len(o.Head) > 0 {
			m.stairs.move(low, height)
		}
		m.addTravel(e, st)
		high := -lowest(e, st, o.BeltAxis, -o.Forward)
		if first, last := m.along(o); m.extruded {
			m.ride.move(low, high, true, first, last, e.Extruding)
		} else {
			m.ride.move(low, high, false, 0, 0, false)
		}
	}
}

// addTravel adds where a move goes.
func (m *measures) addTravel(e *gcode.Effect, st *gcode.State) {
	for a := gcode.X; a <= gcode.Z; a++ {
		lo, hi := e.MinMM[a]+st.OffsetMM[a], e.MaxMM[a]+st.OffsetMM[a]
		if !m.moved {
			m.travelMinMM[a], m.travelMaxMM[a] = lo, hi
			continue
		}
		if lo < m.travelMinMM[a] { // rare, so a branch is faster than min
			m.travelMinMM[a] = lo
		}
		if hi > m.travelMaxMM[a] {
			m.travelMaxMM[a] = hi
		}
	}
	m.moved = true
}

// addPlastic adds an extruding move.
func (m *measures) addPlastic(e *gcode.Effect, st *gcode.State, o *Options) {
	for a := gcode.X; a <= gcode.Z; a++ {
		lo, hi := e.MinMM[a]+st.OffsetMM[a], e.MaxMM[a]+st.OffsetMM[a]
		if !m.extruded {
			m.minMM[a], m.maxMM[a] = lo, hi
			continue
		}
		m.minMM[a], m.maxMM[a] = min(m.minMM[a], lo), max(m.maxMM[a], hi)
	}
	// A tilted gantry's layers follow one another along the belt.
	sign := 1.0
	if o.BeltAxis == gcode.Z {
		sign = float64(o.Forward)
	}
	if near := sign * (st.PositionMM[gcode.Z] + st.OffsetMM[gcode.Z]); !m.extruded || near > m.topMM+layerStepMM/2 {
		if top := sign * st.MachineMM(gcode.Z); !m.extruded || top > m.topMM+layerStepMM {
			m.layers++
			m.topMM = top
		}
	}
	m.extruded = true
}

// fill writes the measures of the body into the plan.
func (m *measures) fill(p *Plan, o *Options) {
	p.BeltTravelMM = m.travelMM
	b := o.BeltAxis
	p.BeltAdvanceMM = float64(o.Forward) * (p.End.MachineMM(b) - p.Begin.MachineMM(b))
	extent := func(lo, hi *[3]float64) (e Extent) {
		for a, to := range map[gcode.Axis]*[2]float64{gcode.X: &e.X, gcode.Y: &e.Y, gcode.Z: &e.Z} {
			*to = [2]float64{lo[a] - p.Begin.OffsetMM[a], hi[a] - p.Begin.OffsetMM[a]}
		}
		return e
	}
	p.ExtentMM, p.TravelExtentMM = extent(&m.minMM, &m.maxMM), extent(&m.travelMinMM, &m.travelMaxMM)
	p.FilamentGrossMM = m.grossMM
	p.FilamentMM = m.filamentMM + p.End.DrawnBackMM - p.Begin.DrawnBackMM
	d := o.FilamentDiameterMM
	p.FilamentCM3 = p.FilamentMM * math.Pi * d * d / 4 / 1000
	p.FilamentG = p.FilamentCM3 * o.DensityGPerCM3
	p.Layers = m.layers
	m.clock.fill(p)
	p.SentSourceBytes, p.WireBytes = m.bytes.source, m.bytes.wire
	p.PitchMM = o.PitchMM
	if o.PitchMM == 0 {
		p.PitchMM, _ = m.leastPitch(o)
	}
	p.PitchMM = max(p.PitchMM, p.BeltAdvanceMM) // the belt is not moved back with the parts on it
	p.Placing = m.placing(p, o)
	p.PartsOnBelt = p.Placing.PartsOnBelt
}

// across reports whether the part lies between two places across the belt.
func (m *measures) across(fromMM, toMM float64) bool {
	return toMM > m.minMM[gcode.X] && fromMM < m.maxMM[gcode.X]
}

// extrudes reports whether there is a part.
func (m *measures) extrudes() bool { return m.extruded }

// aheadMM is how far the part is carried ahead of the nozzle at most.
func (m *measures) aheadMM() float64 { return m.ride.aheadMM }

// backMM is how far the nozzle comes back beyond the part without rising above it.
func (m *measures) backMM(o *Options) float64 {
	first := m.minMM[o.BeltAxis]
	if o.Forward < 0 {
		first = -m.maxMM[o.BeltAxis]
	}
	return math.Max(0, first-m.reach.backMM)
}
