package job

import (
	"math"

	"beltwarden/supervisor/gcode"
)

// layerStepMM is the least growth that counts as a new layer; thinner steps
// belong to a spiral or to noise in the file.
const layerStepMM = 0.02

// measures are running sums from some point of the file on.
type measures struct {
	travelMM   float64    // belt, absolute
	idleMM     float64    // belt travel since the last extruding move
	filamentMM float64    // net
	minMM      [3]float64 // touched while extruding, free of G92 shifts
	maxMM      [3]float64
	extruded   bool
	topMM      float64 // highest layer
	layers     int64
	reach      reach
	clock      clock
	bytes      size
}

// size is what lines take up in the file and on the wire, each line's end counted
// as one byte.
type size struct{ source, wire int64 }

func (s *size) add(o size) { s.source, s.wire = s.source+o.source, s.wire+o.wire }

func (s *size) sub(o size) { s.source, s.wire = s.source-o.source, s.wire-o.wire }

// added counts a line that the file does not have; nothing is saved on it.
func (s *size) added(text string) {
	n := int64(len(text)) + 1
	s.add(size{n, n})
}

// add counts one sent line. st is the state after it.
func (m *measures) add(e *gcode.Effect, st *gcode.State, o *Options) {
	m.clock.add(e, st, o)
	if e.Kind != gcode.KindMove {
		return
	}
	m.travelMM += e.Travel(o.BeltAxis)
	m.idleMM += e.Travel(o.BeltAxis)
	m.filamentMM += e.ExtrudedMM
	if e.Extruding {
		m.plastic(e, st, o)
	}
	if e.PathMM > 0 {
		top := math.Inf(-1)
		if m.extruded {
			top = m.maxMM[o.lift()]
		}
		m.reach.move(lowest(e, st, o.BeltAxis, o.Forward), lowest(e, st, o.lift(), 1), top)
	}
}

// plastic takes in an extruding move.
func (m *measures) plastic(e *gcode.Effect, st *gcode.State, o *Options) {
	m.idleMM = 0
	for a := gcode.X; a <= gcode.Z; a++ {
		lo, hi := e.MinMM[a]+st.OffsetMM[a], e.MaxMM[a]+st.OffsetMM[a]
		if !m.extruded {
			m.minMM[a], m.maxMM[a] = lo, hi
			continue
		}
		m.minMM[a], m.maxMM[a] = min(m.minMM[a], lo), max(m.maxMM[a], hi)
	}
	// A tilted gantry's layers follow one another along the belt.
	top := st.MachineMM(gcode.Z)
	if o.BeltAxis == gcode.Z {
		top *= float64(o.Forward)
	}
	if !m.extruded || top > m.topMM+layerStepMM {
		m.layers++
		m.topMM = top
	}
	m.extruded = true
}

// fill writes the measures of the body, which ran from begin to end, into the plan.
func (m *measures) fill(p *Plan, o *Options) {
	p.BeltTravelMM = m.travelMM
	b := o.BeltAxis
	p.BeltAdvanceMM = float64(o.Forward) * (p.End.MachineMM(b) - p.Begin.MachineMM(b))
	extent := func(a gcode.Axis) [2]float64 {
		shift := p.Begin.OffsetMM[a]
		return [2]float64{m.minMM[a] - shift, m.maxMM[a] - shift}
	}
	p.ExtentMM = Extent{X: extent(gcode.X), Y: extent(gcode.Y), Z: extent(gcode.Z)}
	p.FilamentMM = m.filamentMM + p.End.DrawnBackMM - p.Begin.DrawnBackMM
	d := o.FilamentDiameterMM
	p.FilamentCM3 = p.FilamentMM * math.Pi * d * d / 4 / 1000
	p.FilamentG = p.FilamentCM3 * o.DensityGPerCM3
	p.Layers = m.layers
	m.clock.fill(p)
	p.SentSourceBytes, p.WireBytes = m.bytes.source, m.bytes.wire
	p.PitchMM = o.PitchMM
	if o.PitchMM == 0 {
		p.PitchMM = m.leastPitchMM(o)
	}
}

// leastPitchMM is the part's extent along the belt and the gap, and how far the
// nozzle comes back beyond the part without rising above it: at less, it would
// run into the part before. On a tilted gantry the layers are parallel planes
// along the belt, so the same sum keeps the last plane of one part clear of the
// first plane of the next.
func (m *measures) leastPitchMM(o *Options) float64 {
	b := o.BeltAxis
	return m.maxMM[b] - m.minMM[b] + m.backMM(o) + o.GapMM
}

// backMM is how far the nozzle comes back beyond the part without rising above it.
func (m *measures) backMM(o *Options) float64 {
	first := m.minMM[o.BeltAxis]
	if o.Forward < 0 {
		first = -m.maxMM[o.BeltAxis]
	}
	return math.Max(0, first-m.reach.backMM)
}
