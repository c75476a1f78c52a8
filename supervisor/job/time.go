package job

import (
	"math"
	"time"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/motion"
)

// maxMMPerS: a larger M203 is in mm/min, as some boards read it; no printer's axis runs at 1000
// mm/s (common practice, no source).
const maxMMPerS = 1000

// Peak is the highest demand on each axis, before the board's limits clip it.
type Peak struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
	Z float64 `json:"z"`
	E float64 `json:"e"`
}

// clock computes how long the lines of a body are in motion.
type clock struct {
	planner motion.Planner
	speed   [motion.Axes]float64 // most demanded, mm/s
	accel   [motion.Axes]float64 // mm/s², by lines of the job alone
	own     [3]float64           // accelerations that the job has set, by kind of move; 0 for none
}

func newClock(st *gcode.State, o *Options) clock {
	c := clock{planner: motion.NewPlanner(limitsOf(st, o.Motion))}
	c.readAccels(st)
	return c
}

// readAccels reads which accelerations the job has set.
func (c *clock) readAccels(st *gcode.State) {
	for kind, letter := range [...]byte{motion.Travel: 'T', motion.Print: 'P', motion.Retract: 'R'} {
		c.own[kind], _ = st.Setting(204).Get(letter)
	}
}

// limitsOf returns the board's limits with those that the job has set.
func limitsOf(st *gcode.State, l motion.Limits) motion.Limits {
	for a, letter := range [motion.Axes]byte{'X', 'Y', 'Z', 'E'} {
		if v, ok := st.Setting(203).Get(letter); ok && v > 0 {
			if v > maxMMPerS {
				v /= 60
			}
			l.SpeedMMPerS[a] = v
		}
		if v, ok := st.Setting(201).Get(letter); ok && v > 0 {
			l.AccelMMPerS2[a] = v
		}
		if v, ok := st.Setting(205).Get(letter); ok && v > 0 {
			l.CornerMMPerS[a] = v
		}
	}
	for _, p := range [...]struct {
		letter byte
		v      *float64
	}{{'P', &l.PrintAccelMMPerS2}, {'R', &l.RetractAccelMMPerS2}, {'T', &l.TravelAccelMMPerS2}} {
		if w, ok := st.Setting(204).Get(p.letter); ok && w > 0 {
			*p.v = w
		}
	}
	if v, ok := st.Setting(205).Get('J'); ok && v > 0 {
		l.JunctionDeviationMM, l.CornerMMPerS = v, [motion.Axes]float64{}
	}
	return l
}

// add adds the effect of a line. st is the state after it.
func (c *clock) add(e *gcode.Effect, st *gcode.State, o *Options) {
	switch e.Kind {
	case gcode.KindMove:
		c.move(e, st)
	case gcode.KindRetract:
		c.retract(e, st)
	case gcode.KindDwell:
		c.planner.Wait(e.Duration.Seconds())
	case gcode.KindSet:
		if e.Letter == 'M' && e.Number >= 201 && e.Number <= 205 {
			c.planner.SetLimits(limitsOf(st, o.Motion))
			c.readAccels(st)
		}
	case gcode.KindHome, gcode.KindWait, gcode.KindTool:
		c.planner.Stop()
	case gcode.KindTemperature:
		if e.Number == 109 || e.Number == 190 {
			c.planner.Stop()
		}
	}
}

func (c *clock) move(e *gcode.Effect, st *gcode.State) {
	if e.PathMM == 0 {
		return
	}
	m := motion.Move{PathMM: e.PathMM, SpeedMMPerS: e.FeedMMPerMin / 60, DeltaMM: e.Deltas()}
	switch {
	case e.Extruding:
		m.Kind = motion.Print
	case m.DeltaMM[0] == 0 && m.DeltaMM[1] == 0 && m.DeltaMM[2] == 0 && e.RadiusMM == 0:
		m.Kind = motion.Retract
	}
	if e.RadiusMM > 0 {
		m.Arc = &motion.Arc{RadiusMM: e.RadiusMM, Entry: e.Entry, Exit: e.Exit, Normal: int(st.Plane.Normal())}
	}
	c.planner.Push(&m)
	c.notePeaks(&m)
}

// notePeaks notes speeds and accelerations of the move that the planner added last.
func (c *clock) notePeaks(m *motion.Move) {
	speed, accel := m.SpeedMMPerS, c.own[m.Kind]
	u := c.planner.Direction()
	for a := range u {
		d := math.Abs(u[a])
		if m.Arc != nil && a < 3 && a != m.Arc.Normal {
			d = 1 // somewhere on the arc the axis has the whole speed
		}
		if v := d * speed; v > c.speed[a] {
			c.speed[a] = v
		}
		if v := d * accel; v > c.accel[a] {
			c.accel[a] = v
		}
	}
}

// retract adds G10 or G11, by the length and feed that the job has set for them. Otherwise they are
// the board's own, and only the stop counts.
func (c *clock) retract(e *gcode.Effect, st *gcode.State) {
	length, ok := st.Setting(207).Get('S')
	feed, known := st.Setting(207).Get('F')
	if !ok || !known || length == 0 || feed <= 0 {
		c.planner.Stop()
		return
	}
	if e.Number == 11 {
		length = -length
	}
	m := motion.Move{DeltaMM: [motion.Axes]float64{3: -length}, PathMM: math.Abs(length), SpeedMMPerS: feed / 60, Kind: motion.Retract}
	c.planner.Push(&m)
}

// duration is the time until the machine stands still after the last line.
func (c *clock) duration() time.Duration {
	s := c.planner.TotalS()
	if s >= math.MaxInt64/1e9 {
		return math.MaxInt64
	}
	return time.Duration(s * 1e9)
}

// fill writes time and peaks into the plan.
func (c *clock) fill(p *Plan) {
	p.Duration = c.duration()
	p.PeakSpeedMMPerS = Peak{c.speed[0], c.speed[1], c.speed[2], c.speed[3]}
	p.PeakAccelMMPerS2 = Peak{c.accel[0], c.accel[1], c.accel[2], c.accel[3]}
}
