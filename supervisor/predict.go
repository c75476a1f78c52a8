package supervisor

import (
	"slices"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
	"beltwarden/supervisor/quality"
)

// The forecast: how long the next parts take, when somebody must be there next and why, and when the
// ordered good parts will have been made. The statistics are in package pace; this file gives it what
// the machine knows.

// NextVisit is a moment at which someone must be at the machine.
type NextVisit struct {
	Reason string    `json:"reason"`
	Text   string    `json:"text"`
	Parts  int       `json:"parts"`     // parts made until then
	MM     float64   `json:"travel_mm"` // belt travel until then
	At     time.Time `json:"at"`        // estimate
	// Early and Late bound it with 95 % certainty, from the cycles so far.
	Early time.Time `json:"early"`
	Late  time.Time `json:"late"`
	// Unseen: no cycle has ended yet, and the time for heating and cooling is a guess.
	Unseen bool `json:"unseen,omitempty"`
	// Also are the reasons of visits that would be due soon after and are combined with this one.
	Also  []string `json:"also,omitempty"`
	Bring []string `json:"bring,omitempty"` // to the machine
}

// ReadyView is when the ordered good parts will have been made, including the machine's waits for
// people and the parts made to replace scrap.
type ReadyView struct {
	At time.Time `json:"at"` // as likely sooner as later
	// Early and Late bound it with 95 % certainty, if people come and parts turn out as they have so
	// far.
	Early time.Time `json:"early"`
	Late  time.Time `json:"late"`
	// Unseen: no cycle has ended yet, and the time for heating and cooling is a guess.
	Unseen bool `json:"unseen,omitempty"`
	Stops  int  `json:"stops"` // remaining stops at which the machine waits for somebody; excludes those for scrap
	// Waits is the number of stops with a known wait for somebody, and Wait is the median of those.
	// With fewer than eight known waits, Waits is 0 and the times are those without waiting.
	Waits int           `json:"waits"`
	Wait  time.Duration `json:"wait_ns"`
	Scrap int           `json:"scrap"` // parts made to replace scrap, as likely more as fewer
	// Assumed: too few parts were looked at, and Yield is an assumption.
	Assumed bool    `json:"assumed,omitempty"`
	Yield   float64 `json:"yield"`
}

// prediction is the newest forecast.
type prediction struct {
	at     time.Time     // when it was computed; zero: it is out of date
	takes  time.Duration // of the next part
	visits []NextVisit   // nil while no lot is in progress
	ready  *ReadyView
	care   []CareView
}

// predictionMaxAge is how long a forecast is shown while nothing is recorded: a board replies many times a
// second, and forecasts change by seconds.
const predictionMaxAge = time.Second

// predict returns the forecast for a snapshot.
func (m *Machine) predict() *prediction {
	f := &m.prediction
	if !f.at.IsZero() && m.now.Sub(f.at).Abs() < predictionMaxAge && (f.visits == nil || m.now.Before(f.visits[0].Early)) {
		return f // no visit in it has passed
	}
	*f = prediction{at: m.now, takes: m.nextDuration(), care: m.careViews()}
	if m.lot != nil && m.running() {
		f.visits = m.schedule()
		f.ready = m.ready(f.visits)
	}
	return f
}

// maxVisits is the number of visits in a schedule.
const maxVisits = 12

// combineShare: visits within this share of the time to the nearer one are proposed as one, since its
// check restarts every interval.
const combineShare = 0.15

// schedule foresees the visits for the rest of the lot, next one first: those that the rules require,
// each check restarting the intervals, and last the end of the lot.
func (m *Machine) schedule() []NextVisit {
	due := m.due()
	every := make([]func(done int) int, len(due)) // parts from one visit to the next
	for i := range due {
		every[i] = due[i].rhythm(m)
	}
	left, done := m.lot.Wanted(), 0
	var list []NextVisit
	for len(list) < maxVisits {
		first := -1
		for i := range due {
			if first < 0 || due[i].parts < due[first].parts {
				first = i
			}
		}
		if first < 0 || due[first].parts >= left-done {
			break
		}
		n := due[first]
		v, at := NextVisit{Reason: n.Code, Text: n.why}, n.parts
		for i := range due {
			near := i == first || float64(due[i].parts) <= float64(at)*(1+combineShare)+1
			if near && i != first {
				v.Also = append(v.Also, due[i].Code)
			}
			if near || due[i].Ends == EndsByCheck {
				due[i].parts = every[i](done + at) // any visit is a check, but does not by itself fill a spool
			} else {
				due[i].parts -= at
			}
		}
		done += at
		v.Parts = done
		list = append(list, m.withTimes(v))
	}
	return append(list, m.withTimes(NextVisit{Reason: CauseDone, Parts: left, Text: "all parts of the lot are made"}))
}

// withTimes adds belt travel, times and what to bring to a visit after so many parts.
func (m *Machine) withTimes(v NextVisit) NextVisit {
	v.MM = float64(v.Parts) * m.nextTravelMM()
	v.Early, v.At, v.Late, v.Unseen = m.doneAfter(v.Parts)
	for _, reason := range append([]string{v.Reason}, v.Also...) {
		things := bringAtEnd
		if n, ok := NeedOf(reason); ok {
			things = n.Bring
		}
		for _, thing := range things {
			if !slices.Contains(v.Bring, thing) {
				v.Bring = append(v.Bring, thing)
			}
		}
	}
	return v
}

// bringAtEnd is what to bring at the end of a lot.
var bringAtEnd = []string{"box for the parts", "caliper"}

// doneAfter returns when so many more parts are made: early and late with 95 % certainty, at as likely
// sooner as later. unseen: the time for heating and cooling is only a guess.
func (m *Machine) doneAfter(parts int) (early, at, late time.Time, unseen bool) {
	p, unseen := m.cycleTimes()
	planned := m.lot.plannedTime(parts)
	elapsed := m.elapsed(p)
	if c := m.cycle; c != nil && !c.fromLedger && c.made { // it must still be moved off
		parts++
		if plan := c.lot.plans[c.job]; plan != nil {
			planned += plan.Duration
		}
	}
	d := p.Takes(parts, m.now, planned, elapsed)
	return m.now.Add(d.Low), m.now.Add(d.Median), m.now.Add(d.High), unseen
}

// nextDuration is how long the next part will take, as likely more as less; if none is wanted, how
// long another of the last would take.
func (m *Machine) nextDuration() time.Duration {
	if m.lot == nil {
		return 0
	}
	k := m.lot.Next()
	if k < 0 {
		k = max(0, m.lot.Last)
	}
	var planned time.Duration
	if plan := m.lot.plans[k]; plan != nil {
		planned = plan.Duration
	}
	p, _ := m.cycleTimes()
	return p.Next(m.now, planned)
}

// nextTravelMM is the belt travel of the next part: as observed, or as planned.
func (m *Machine) nextTravelMM() float64 {
	if m.lot == nil {
		return 0
	}
	if m.lot.pace.Cycles() > 0 && len(m.lot.Counts) == 1 {
		return m.lot.pace.MeanTravelMM()
	}
	if k := m.lot.Next(); k >= 0 {
		return m.lot.Jobs[k].BeltTravelMMPerCycle
	}
	return 0
}

// plannedTime is the planned printing time of the next k parts.
func (l *lot) plannedTime(k int) time.Duration {
	var all time.Duration
	wanted := max(1, l.Wanted())
	for i, j := range l.Counts {
		if l.plans[i] == nil {
			continue
		}
		n := float64(j.Wanted()) * min(1, float64(k)/float64(wanted)) // in turn
		if l.Order != ledger.OrderTurn {
			n = float64(min(j.Wanted(), k))
			k -= int(n)
		}
		all += time.Duration(n * float64(l.plans[i].Duration))
	}
	return all
}

// cycleTimes returns the model of the lot's cycle times, and whether its waits are only a guess.
func (m *Machine) cycleTimes() (p *pace.Model, unseen bool) {
	p = &m.lot.pace
	if p.Cycles() > 0 {
		return p, false
	}
	var plan *job.Plan
	if k := m.lot.Next(); k >= 0 {
		plan = m.lot.plans[k]
	}
	w := m.waitBefore(plan)
	p.Begin(w, m.prior)
	return p, w.Guess
}

// waitBefore is what is known of the wait in a part's cycle before one has been observed.
func (m *Machine) waitBefore(p *job.Plan) pace.Wait {
	if p == nil {
		return pace.UnplannedWait()
	}
	times := m.heatTimes(p)
	switch {
	case m.set.ReleaseC <= 0 || p.End.BedTargetC <= m.set.ReleaseC:
		return pace.ColdWait(p.Duration)
	case times.Cool != nil && times.Reheat != nil:
		return pace.LearnedWait(p.Duration, *times.Cool, *times.Reheat)
	}
	return pace.UnseenWait(p.Duration)
}

// heatTimes is how long a part waits for temperatures, as far as the heaters are known.
func (m *Machine) heatTimes(p *job.Plan) job.HeatTimes {
	return p.HeatTimes(m.heaters(), m.set.ReleaseC, m.set.NozzleStandbyC)
}

// plannedRun is the planned time of one part including its waits for temperatures as far as they are
// known, and whether all of them are.
func (m *Machine) plannedRun(p *job.Plan) (run time.Duration, waits bool) {
	run = p.Duration
	times := m.heatTimes(p)
	if times.Cool != nil {
		run += times.Cool.Mid
	}
	if times.Reheat != nil {
		run += *times.Reheat
	}
	return run, times.Cool != nil && times.Reheat != nil
}

// priorEvery: what cycles have shown of the machine is recorded after this many, and at the end of a
// lot.
const priorEvery = 10

// learnCycle learns from a cycle that has ended. What it shows of machine and room is recorded like
// what is learned of the heaters.
func (m *Machine) learnCycle(c *cycle) {
	l, plan := c.lot, c.lot.plans[c.job]
	if l.pace.Cycles() == 0 {
		l.pace.Begin(m.waitBefore(plan), m.prior)
	}
	ended := pace.Cycle{Began: c.begun, Ended: m.now, Hot: c.beganHot, TravelMM: m.belt.latest.TravelMM - c.startTravelMM, First: c.firstOfRun}
	if plan != nil {
		ended.Planned, ended.Reheat = plan.Duration, m.heatTimes(plan).Reheat
	}
	l.pace.Add(ended)
	if l.pace.Cycles()%priorEvery != 0 && l.Wanted() > 0 {
		return
	}
	if q := l.pace.Learned(); q.Valid() {
		m.prior, m.learned.priorNew = q, true
	}
}

// elapsed is how much of the next cycle has passed, as if it had begun cold: negative while the
// heating that comes before it takes longer than that of a cycle.
func (m *Machine) elapsed(p *pace.Model) time.Duration {
	switch c := m.cycle; {
	case c != nil && !c.fromLedger && c.beganHot:
		return m.now.Sub(c.begun) + m.reheatTime(c.lot.plans[c.job], p)
	case c != nil && !c.fromLedger:
		return m.now.Sub(c.begun)
	case m.state == Starting, m.state == Unholding, m.state == Unsuspending:
		if k := m.lot.Next(); k >= 0 && m.lot.plans[k] != nil {
			return m.reheatTime(m.lot.plans[k], p) - m.heatingLeft(m.lot.plans[k], p)
		}
	}
	return 0
}

// reheatTime is how much shorter the wait of a cycle is that begins hot: a guess where the heaters are not
// known.
func (m *Machine) reheatTime(plan *job.Plan, p *pace.Model) time.Duration {
	if plan != nil {
		if d := m.heatTimes(plan).Reheat; d != nil {
			return *d
		}
	}
	return p.Heating()
}

// heatingLeft is how long the heating in progress still takes, from the newest readings if the heaters
// are known.
func (m *Machine) heatingLeft(plan *job.Plan, p *pace.Model) time.Duration {
	if m.temps.hasNozzle && m.temps.hasBed {
		if d := plan.HeatUp(m.heaters(), m.temps.nozzleC, m.temps.bedC); d != nil {
			return *d
		}
	}
	all := p.Heating()
	if m.state == Starting {
		all = pace.UnseenHeating / 2
		if d := m.heatTimes(plan).HeatUp; d != nil {
			all = *d
		}
	}
	return max(0, all-m.now.Sub(m.since))
}

const (
	minWaits   = 8           // for people, before they are included
	maxWaits   = 50          // remembered at most
	readyEvery = time.Minute // ready is recomputed at this interval, and when its key has changed
)

// readyKey is what ReadyView depends on besides the time.
type readyKey struct {
	left, stops, before, waits int
	cycles                     int // added to the lot's model
	order                      quality.Order
	held                       bool
}

// ready returns when the ordered good parts will have been made, from the visits foreseen; nil if that
// cannot be computed.
func (m *Machine) ready(list []NextVisit) *ReadyView {
	l, end := m.lot, list[len(list)-1]
	y, seen := l.Yield()
	if y == nil || end.Parts == 0 {
		return nil
	}
	c := pace.Remainder{Now: m.now, Attended: m.set.Attended, Left: end.Parts, NotLookedAt: int(seen.Unverified), Each: m.nextDuration(),
		Takes: pace.Interval{Low: end.Early.Sub(m.now), Median: end.At.Sub(m.now), High: end.Late.Sub(m.now)}}
	if h := m.book.Hold; h != nil && (m.state == Held || m.state == Suspended) {
		c.Held, c.Waited = true, m.now.Sub(m.since)
	}
	for _, v := range list[:len(list)-1] {
		if v.Reason != CauseUnattended && !(c.Held && v.Parts == 0) {
			c.Stops, c.Before = c.Stops+1, v.Parts
		}
	}
	if n := len(list) - 1; n == maxVisits { // more than are foreseen one by one
		c.Stops = c.Stops * (end.Parts - 1) / max(1, list[n-1].Parts)
		c.Before = end.Parts - 1 - (end.Parts-1)%max(1, list[n-1].Parts/maxVisits)
	}
	key := readyKey{c.Left, c.Stops, c.Before, len(m.waits), l.pace.Cycles(), seen, c.Held}
	if l.ready != nil && key == l.readyOf && m.now.Sub(l.readyAt) < readyEvery && !m.now.Before(l.readyAt) {
		return l.ready
	}
	v := &ReadyView{Unseen: end.Unseen, Stops: c.Stops, Yield: y.Yield, Assumed: y.Assumed}
	if len(m.waits) >= minWaits {
		sorted := slices.Clone(m.waits)
		slices.Sort(sorted)
		c.Waits, v.Waits, v.Wait = m.waits, len(sorted), sorted[len(sorted)/2]
	}
	yield := seen.Posterior(quality.DefaultPrior(), y.Assumed)
	c.Good, c.Scrap = yield.Good, yield.Scrap
	d, scrap := c.Ready()
	v.Early, v.At, v.Late, v.Scrap = m.now.Add(d.Low), m.now.Add(d.Median), m.now.Add(d.High), scrap
	l.ready, l.readyOf, l.readyAt = v, key, m.now
	return v
}

// addWait remembers how long the machine waited until somebody let it continue, if only a visit ends the
// need.
func (m *Machine) addWait(cause string, d time.Duration) {
	if n, ok := NeedOf(cause); !ok || n.Ends == EndsUnrecorded || d < 0 {
		return
	}
	if m.waits = append(m.waits, d); len(m.waits) > maxWaits {
		m.waits = slices.Delete(m.waits, 0, 1)
	}
}
