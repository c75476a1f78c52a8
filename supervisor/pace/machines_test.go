package pace

import (
	"math"
	"math/rand/v2"
	"time"

	"beltwarden/supervisor/heat"
)

// bench is a machine in a room, by physics that share nothing with the model: a bed, a slow mass
// behind it, a heater that eases off, a room that changes; lumped bodies by Newton's law of
// cooling, stepped in time. Figures are drawn for each lot, from ranges that are wide on
// purpose (common practice, no source).
type bench struct {
	r    *rand.Rand
	kind int

	powerW, massJ, lossW    float64 // the bed
	slowJ, slowLinkW, slowW float64 // what stands behind it
	targetC, releaseC       float64
	nozzleUpS, nozzleS      float64 // to heat the nozzle, at first and between parts
	printS, planned         float64 // what the printing takes, and what was planned
	vary, moveS             float64
	driftShare              float64 // by which the printing takes longer with each part
	otherShare              float64 // by which it takes longer in the second of two states
	other                   bool
	lasts, lastsSD          float64 // share of a deviation that is left a part later
	delays                  float64 // how often something takes half a minute to three longer

	roomC, swingC, phaseH, gustC, gustS, setbackC float64
	weekendC, openC, openedH                      float64 // by which the room is colder then; when a door is left open

	learner     *heat.Learner // sees the bed; nil: nobody looks
	aimC        float64
	clockS      float64
	bedC, slowC float64
	gust, odd   float64
	closedForm  *room
	reheat      time.Duration // where the heaters are known
	knows       bool
	before      Wait
}

// The kinds of machines and rooms.
const (
	steadyRoom = iota
	dailyRoom
	correlatedCycles
	warmingThrough
	heatersLearned
	movedOffHot
	simpleBodies
	clockHeated
	doorAndDelays
	unheatedShed
	// These were thought of after the model was settled.
	weekdaysHeated
	doorLeftOpen
	slowDrift
	longMemory
	twoPaces
	benchKinds
)

var benchNames = [benchKinds]string{"steady room", "room by the day", "correlated cycles", "warming through", "heaters learned", "moved off hot",
	"in closed form", "heated by the clock", "door and delays", "unheated shed",
	"heated on weekdays", "a door left open", "cycles drift", "correlated by 0.9", "two paces"}

func drawBench(seed uint64, kind int) *bench {
	r := rand.New(rand.NewPCG(seed, 4711))
	in := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	log := func(low, high float64) float64 { return low * math.Pow(high/low, r.Float64()) }
	w := &bench{r: r, kind: kind, massJ: log(250, 1100), roomC: in(10, 32), swingC: log(0.2, 1), phaseH: in(0, 24),
		gustC: log(0.05, 0.4), gustS: 3600, targetC: in(50, 70), planned: log(300, 5400), printS: 1 + 0.02*r.NormFloat64(),
		vary: log(0.001, 0.006), nozzleUpS: in(50, 140), nozzleS: in(15, 50), moveS: in(8, 60)}
	w.lossW = w.massJ / log(350, 1400)
	w.slowJ, w.slowLinkW = w.massJ*log(0.3, 2), w.lossW*log(0.03, 0.15)
	switch kind {
	case dailyRoom:
		w.swingC = in(1.5, 4)
	case correlatedCycles:
		w.lasts, w.lastsSD = in(0.5, 0.95), log(0.01, 0.06)
	case warmingThrough:
		w.slowJ, w.slowLinkW = w.massJ*log(1, 6), w.lossW*log(0.15, 0.6)
	case movedOffHot:
		w.nozzleS = 0
	case clockHeated:
		w.setbackC = in(2, 5)
	case doorAndDelays:
		w.gustC, w.delays = in(0.4, 1.2), in(0.01, 0.05)
	case weekdaysHeated:
		w.setbackC, w.weekendC, w.phaseH = in(1, 3), in(2, 5), in(0, 168)
	case doorLeftOpen:
		w.openC, w.openedH = in(2, 5), in(1, 30) // after the lot has begun
	case slowDrift:
		w.driftShare = log(0.0001, 0.002) * float64(1-2*r.IntN(2))
	case longMemory:
		w.lasts, w.lastsSD = 0.9, log(0.005, 0.05)
	case twoPaces:
		w.otherShare = in(0.01, 0.06)
	case unheatedShed:
		w.roomC, w.swingC, w.gustC, w.gustS = in(8, 24), in(3, 6), in(0.5, 2), 86400
	}
	w.slowW = w.slowLinkW * log(0.5, 2)
	w.powerW = (w.lossW + w.slowLinkW) * (w.targetC - w.roomC + 10) * log(1.4, 3.5) // it holds its target
	w.releaseC = in(30, 40)
	if top := w.roomC + w.swingC; top > w.releaseC-6 {
		w.releaseC = top + 6 // whoever runs it in such a room sets it so that it is reached
	}
	if kind == simpleBodies {
		w.closedForm = drawRoom(r)
		w.planned = w.closedForm.print
	}
	w.printS *= w.planned
	w.bedC, w.slowC = w.room(), w.room()
	w.before = UnseenWait(inS(w.planned))
	switch kind {
	case movedOffHot:
		w.knows, w.before = true, ColdWait(inS(w.planned))
	case heatersLearned:
		m := w.earlier()
		up, ok := m.HeatUp(w.releaseC, w.targetC)
		if down, cools := m.Cool(w.targetC, w.releaseC); ok && cools {
			w.knows, w.reheat = true, up
			w.before = LearnedWait(inS(w.planned), down, up)
		}
	}
	return w
}

func inS(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

func (w *bench) room() float64 {
	c := w.roomC + w.swingC*math.Sin(2*math.Pi*(w.clockS/3600+w.phaseH)/24) + w.gust
	if h := math.Mod(w.clockS/3600+w.phaseH, 24); h < 6 || h > 20 {
		c -= w.setbackC
	}
	if math.Mod(w.clockS/3600+w.phaseH, 168) > 120 {
		c -= w.weekendC
	}
	if w.clockS > w.openedH*3600 {
		c -= w.openC
	}
	return c
}

func (w *bench) step(s, watts float64) {
	w.gust += -w.gust*s/w.gustS + w.gustC*math.Sqrt(2*s/w.gustS)*w.r.NormFloat64()
	room := w.room()
	link := w.slowLinkW * (w.bedC - w.slowC)
	w.bedC += s / w.massJ * (watts - w.lossW*(w.bedC-room) - link)
	w.slowC += s / w.slowJ * (link - w.slowW*(w.slowC-room))
	w.clockS += s
	if w.learner != nil {
		w.learner.Observe(heat.Reading{At: inS(w.clockS), C: math.Round(20*w.bedC) / 20, TargetC: w.aimC, Duty: 127 * watts / w.powerW, HasDuty: true})
	}
}

// heats until bed and nozzle are there; the drive fades over the last degrees.
func (w *bench) heats(nozzleS float64) float64 {
	from := w.clockS
	w.aimC = w.targetC
	for w.bedC < w.targetC-1.5 && w.clockS-from < 20000 {
		w.step(3, w.powerW*min(1, 0.7+(w.targetC-w.bedC)/20))
	}
	w.holds(nozzleS - (w.clockS - from))
	return w.clockS - from
}

func (w *bench) holds(s float64) {
	for ; s > 0; s -= 10 {
		hold := w.lossW*(w.bedC-w.room()) + w.slowLinkW*(w.bedC-w.slowC) + (w.targetC-w.bedC)*w.massJ/60
		w.step(min(10, s), min(w.powerW, max(0, hold)))
	}
}

func (w *bench) cools() {
	w.aimC = 0
	for from := w.clockS; w.bedC > w.releaseC && w.clockS-from < 40000; {
		w.step(3, 0)
	}
}

// earlier runs a short lot some weeks before, and returns what is learned of the bed.
func (w *bench) earlier() heat.Model {
	was, print := w.roomC, w.printS
	w.roomC = min(max(was+3*w.r.NormFloat64(), 10), w.releaseC-w.swingC-4)
	w.bedC, w.slowC, w.learner, w.printS = w.room(), w.room(), heat.NewLearner(heat.Model{}), 1000
	for range 400 {
		w.step(3, 0)
	}
	w.lot(4)
	m := w.learner.Model()
	w.learner, w.roomC, w.printS, w.clockS, w.gust, w.odd = nil, was, print, 0, 0, 0
	w.bedC, w.slowC = w.room(), w.room()
	return m
}

// began is when the first cycle of a lot began.
var began = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// after is the moment so long after that.
func after(d time.Duration) time.Time { return began.Add(d) }

// add adds a cycle that ended so long after the first began.
func (w *bench) add(m *Model, endedS float64, c benchPart, hot bool) {
	cycle := Cycle{Began: after(inS(endedS) - inS(c.all())), Ended: after(inS(endedS)), Planned: inS(w.planned), Hot: hot}
	if w.knows {
		cycle.Reheat = &w.reheat
	}
	m.Add(cycle)
}

// earlierLots makes some lots of 15 parts, hours apart, and returns what is learned of machine and room.
func (w *bench) earlierLots(lots int) Prior {
	known, opened := DefaultPrior(), w.openC
	w.openC = 0
	for range lots {
		_, list := w.lot(15)
		var m Model
		m.Begin(w.before, known)
		ended := 0.0
		for n, c := range list {
			ended += c.all()
			w.add(&m, ended, c, n == 0)
		}
		known = m.Learned()
		w.rests(3600 * (2 + 20*w.r.Float64()))
	}
	w.openC, w.openedH = opened, w.openedH+w.clockS/3600
	return known
}

// rests is a while in which it is off.
func (w *bench) rests(s float64) {
	if f := w.closedForm; f != nil {
		f.at += s
		f.began = f.at
		return
	}
	for ; s > 0; s -= 60 {
		w.step(60, 0)
	}
}

// benchPart is the course of one cycle, seconds.
type benchPart struct{ reheat, print, cool float64 }

func (p benchPart) all() float64 { return p.reheat + p.print + p.cool }

// lot runs a whole lot from cold; the first part begins hot.
func (w *bench) lot(parts int) (heatUpS float64, list []benchPart) {
	if f := w.closedForm; f != nil {
		for i := range parts {
			list = append(list, benchPart{print: f.print, cool: f.cycle(i == 0).Seconds() - f.print})
		}
		return max(f.nozzleS, f.heatS*math.Log(f.riseC/(f.riseC-(f.bedC-f.roomC)))), list
	}
	heatUpS = w.heats(w.nozzleUpS)
	for i := range parts {
		var p benchPart
		if i > 0 {
			p.reheat = w.heats(w.nozzleS)
		}
		w.odd = w.lasts*w.odd + math.Sqrt(1-w.lasts*w.lasts)*w.lastsSD*w.r.NormFloat64()
		w.other = w.other != (w.r.Float64() < 0.1)
		p.print = w.printS * (1 + w.odd + w.vary*w.r.NormFloat64() + w.driftShare*float64(i))
		if w.other {
			p.print += w.printS * w.otherShare
		}
		if w.r.Float64() < w.delays {
			p.print += 30 + 150*w.r.Float64()
		}
		w.holds(p.print)
		from := w.clockS
		if w.kind == movedOffHot {
			w.holds(w.moveS)
		} else {
			w.cools()
			w.step(w.moveS, 0)
		}
		p.cool = w.clockS - from
		list = append(list, p)
	}
	return heatUpS, list
}

// room is another machine, in closed form: bed and nozzle of first order in a room that warms
// and cools by the day, a slow mass that warms up over hours, scatter, and now and then
// something that takes longer.
type room struct {
	r                                 *rand.Rand
	print, error                      float64 // s, and by what share the plan is wrong
	bedC, releaseC                    float64
	coolS, heatS, riseC               float64
	nozzleS, moveS                    float64
	roomC, dayC, phaseS, slowC, slowS float64
	scatter, delays                   float64
	at, began, noise                  float64
}

func drawRoom(r *rand.Rand) *room {
	log := func(low, high float64) float64 { return low * math.Exp(r.Float64()*math.Log(high/low)) }
	in := func(low, high float64) float64 { return low + r.Float64()*(high-low) }
	return &room{r: r, print: log(240, 3600), error: in(-0.03, 0.03), bedC: in(50, 70), releaseC: in(30, 40),
		coolS: log(240, 3600), heatS: log(120, 1500), riseC: in(60, 130), nozzleS: in(30, 200), moveS: in(10, 90),
		roomC: in(10, 26), dayC: in(0, 4), phaseS: in(0, 86400), slowC: in(0, 5), slowS: log(1800, 10800),
		scatter: log(0.002, 0.03), delays: in(0, 0.03)}
}

// cycle makes a part and returns what it took.
func (m *room) cycle(warm bool) time.Duration {
	m.noise = 0.9*m.noise + 0.4*m.r.NormFloat64()
	around := m.roomC + m.dayC*math.Sin(2*math.Pi*(m.at+m.phaseS)/86400) + 0.4*m.noise + m.slowC*(1-math.Exp(-(m.at-m.began)/m.slowS))
	cool := m.coolS * math.Log((m.bedC-around)/max(1.5, m.releaseC-around))
	heat := 0.0
	if !warm {
		heat = max(m.nozzleS, m.heatS*math.Log(m.riseC/(m.riseC-(m.bedC-m.releaseC))))
	}
	s := m.print*(1+m.error)*(1+0.002*m.r.NormFloat64()) + (cool+heat+m.moveS)*(1+m.scatter*m.r.NormFloat64())
	if m.r.Float64() < m.delays {
		s += 30 + 150*m.r.Float64()
	}
	m.at += s
	return time.Duration(s * float64(time.Second))
}
