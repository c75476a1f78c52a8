package supervisor

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/ledger"
)

// TrialBegin requests a trial of the belt's alignment: the empty, cold belt runs forward, and its
// lateral offset is read before and after.
type TrialBegin struct {
	RunMM        float64  `json:"run_mm"`                    // 0: 5 m, or as many whole loops of the belt
	FeedMMPerMin float64  `json:"feed_mm_per_min,omitempty"` // 0: that of the discharge
	BeforeMM     *float64 `json:"before_mm"`                 // present lateral offset
	// Adjuster and Turns are what the operator has turned since the previous trial, with the
	// operator's own name and sign. The belt counts as realigned by it.
	Adjuster string  `json:"adjuster,omitempty"`
	Turns    float64 `json:"turns,omitempty"`
	// Clear is the operator's confirmation that hands, tools and parts are off the belt and the head
	// is off it too. Without it nothing moves.
	Clear bool `json:"clear"`
	Sure  bool `json:"sure,omitempty"` // confirms an offset that looks unlikely
}

// TrialEnd ends a trial: with the offset after the run, or by giving it up.
type TrialEnd struct {
	AfterMM *float64 `json:"after_mm,omitempty"`
	GiveUp  bool     `json:"give_up,omitempty"`
	// MarkMoved is the operator's confirmation that a mark on the belt was seen to move. Offsets that
	// differ by less than half a millimetre are judged only with it: a belt that stood still has the
	// same offset twice, too.
	MarkMoved bool `json:"mark_moved,omitempty"`
	Sure      bool `json:"sure,omitempty"` // confirms an offset that looks unlikely
	// Parts and PartTravelMM are what the belt will run next, in place of the open lot's;
	// PartAdvanceMM is the net advance of a part, 0 if equal to the travel.
	Parts         int     `json:"parts,omitempty"`
	PartTravelMM  float64 `json:"part_travel_mm,omitempty"`
	PartAdvanceMM float64 `json:"part_advance_mm,omitempty"`
}

// TrialView is a trial that has begun and not ended.
type TrialView struct {
	ID       int64   `json:"id"`
	RunMM    float64 `json:"run_mm"`
	DoneMM   float64 `json:"done_mm"`
	Ran      bool    `json:"ran"` // the belt has stopped and the offset must be read
	BeforeMM float64 `json:"before_mm"`
}

// TrialResult is the result of a trial, and what is known of the adjusters.
type TrialResult struct {
	belt.Verdict
	Adjusters []AdjusterView `json:"adjusters"`
}

// AdjusterView is what has been learned of one adjuster.
type AdjusterView struct {
	Name string `json:"name"`
	belt.Response
	Advice *belt.Advice `json:"advice,omitempty"` // nil while the response is in doubt
}

// trials are those of this ledger, newest last.
type trials struct {
	list []ledger.Trial
	// active: the newest will run once the board is ready, or is running.
	active      bool
	interrupted bool // an earlier process ended in the middle of the newest
}

// Bounds on a trial.
const (
	shortestTrialMM = 500
	longestTrialMM  = 100_000
	trialMM         = 5000
	sameMarkMM      = 20 // this close to one place of the belt, its edge is the same
	largestTurn     = 50
	// trialColdC: metal at this temperature may be touched for a minute (from memory of the figures on
	// skin burns; common practice, no source). Hands are at the belt before and after.
	trialColdC        = 50
	trialPieceMM      = 100 // longest run-out after a stop
	readingAccuracyMM = 0.5 // reading accuracy of a rule
	maxTrials         = 500 // to learn from
)

// open returns the trial that has begun and not ended.
func (t *trials) open() *ledger.Trial {
	if n := len(t.list); n > 0 && !t.list[n-1].Ended {
		return &t.list[n-1]
	}
	return nil
}

// beginTrial takes the first reading and starts the trial. The belt runs in Resetting, which makes a
// machine ready without a lot: its own queries keep the heaters off, and the operator can stop it or
// abort.
func (m *Machine) beginTrial(r Request) error {
	const what = "begin the trial"
	asked := *r.TrialBegin
	q := &asked
	if q.RunMM == 0 {
		q.RunMM = m.defaultTrialMM()
	}
	if err := m.checkTrial(what, q); err != nil {
		return err
	}
	offset := &Visit{OffsetMM: q.BeforeMM, Sure: q.Sure}
	readings := []belt.Reading{{TravelMM: m.belt.base.TravelMM, AdvanceMM: m.belt.base.AdvanceMM, OffsetMM: *q.BeforeMM}}
	if q.Turns == 0 { // otherwise the earlier readings belong to another alignment
		readings = append(slices.Clone(m.bed.Readings), readings...)
	}
	if odd := m.unlikelyValues(offset, readings); len(odd) > 0 {
		return &Refusal{What: what, Why: joinFaults(odd), Remedy: "look again; if the values are right, confirm them", Command: "--sure"}
	}
	t := ledger.TrialBegun{ID: 1, RunMM: q.RunMM, BeforeMM: *q.BeforeMM, TravelMM: m.belt.base.TravelMM,
		AdvanceMM: m.belt.base.AdvanceMM, Adjuster: q.Adjuster, Turns: q.Turns, By: r.By}
	if n := len(m.trials.list); n > 0 {
		t.ID = m.trials.list[n-1].ID + 1
	}
	if q.Turns != 0 {
		turned := fmt.Sprintf("trial %d: %s was turned by %+g", t.ID, q.Adjuster, q.Turns)
		if err := m.visit(Request{By: r.By, Visit: &Visit{Realigned: true, Note: turned}}); err != nil {
			return err
		}
	}
	offset.Sure, offset.Note = true, fmt.Sprintf("trial %d: before", t.ID)
	if err := m.visit(Request{By: r.By, Visit: offset}); err != nil {
		return err
	}
	m.trials.list = append(m.trials.list, ledger.Trial{TrialBegun: t})
	m.record(t)
	m.trialFeed = q.FeedMMPerMin
	if m.trialFeed == 0 {
		m.trialFeed = m.set.AdvanceFeed
	}
	text := fmt.Sprintf("trial %d: the belt runs %.1f m forward at %.0f mm/min", t.ID, q.RunMM/1000, m.trialFeed)
	text += m.loopText(q.RunMM)
	m.note("trial", text)
	why := Cause{CauseOperator, text + ", asked for by " + who(r.By)}
	if m.state == Idle {
		m.change(Stop, why) // lifts the head if it can; the reset follows
		m.trials.active = true
	} else {
		m.trials.active = true
		m.change(Reset, why)
	}
	m.out.Result.Text = text
	return nil
}

// defaultTrialMM is the default length of a trial: whole loops, so that it ends where it began and an
// uneven edge does not count as drift.
func (m *Machine) defaultTrialMM() float64 {
	if l := m.set.LoopMM; l > 0 && l <= longestTrialMM {
		return max(1, math.Round(trialMM/l)) * l
	}
	return trialMM
}

// loopText describes how a run relates to the belt's loop and, for one that does not end where it
// begins, which run would.
func (m *Machine) loopText(runMM float64) string {
	l := m.set.LoopMM
	if l <= 0 {
		return ""
	}
	loops := runMM / l
	whole := max(1, math.Round(loops))
	if math.Abs(loops-whole)*l <= sameMarkMM {
		return ", " + plural(int(whole), "whole loop", "whole loops")
	}
	return fmt.Sprintf("; that is %.1f loops of the belt, so an uneven edge looks like drift: %.2f m end where they begin", loops, whole*l/1000)
}

// checkTrial refuses a trial that could hurt somebody, the belt or the count.
func (m *Machine) checkTrial(what string, q *TrialBegin) error {
	if err := m.checkForward(what); err != nil {
		return err
	}
	if wrong := m.trialFaults(q); len(wrong) > 0 {
		return &Refusal{What: what, Why: strings.Join(wrong, "; "), Remedy: "correct it and begin again"}
	}
	switch m.state {
	case Idle, Stopped, Complete:
	default:
		return &Refusal{What: what, Why: fmt.Sprintf("the machine is %s", m.state), Remedy: "a trial begins when it is Idle, Stopped or Complete"}
	}
	h := &m.temps
	switch {
	case m.link.phase != linkUp || m.work.running != 0 || len(m.work.legs) > 0:
		return &Refusal{What: what, Why: "the board is not connected or is busy", Remedy: "reset to make it ready", Command: "beltwarden reset"}
	case m.trials.open() != nil:
		return &Refusal{What: what, Why: fmt.Sprintf("trial %d is still open", m.trials.open().ID), Remedy: "read the offset and end the trial", Command: "beltwarden trial end --after-mm MM, or --give-up"}
	case !h.hasNozzle && !h.hasBed, h.hasNozzle && !h.nozzleFresh(), h.hasBed && !h.bedFresh():
		return &Refusal{What: what, Why: "the board does not report its temperatures", Remedy: "try again in a moment"}
	case h.nozzleC > trialColdC || h.bedC > trialColdC || h.nozzleTargetC > 0 || h.bedTargetC > 0:
		return &Refusal{What: what, Why: fmt.Sprintf("the machine is not cold: nozzle %.0f °C, bed %.0f °C, limit %d °C", h.nozzleC, h.bedC, trialColdC), Remedy: "let it cool"}
	case !m.belt.known || m.belt.occupied:
		return &Refusal{What: what, Why: "parts may be on the belt", Remedy: "clear the belt and record it", Command: "beltwarden check --belt-cleared"}
	case m.boardDiffers != "":
		return &Refusal{What: what, Why: m.boardDiffers, Remedy: "make sure that it is the right board, then accept it", Command: m.boardDiffersCommand("beltwarden start --override REASON")}
	case !q.Clear:
		return &Refusal{What: what, Why: "nobody has confirmed that hands, tools and parts are clear of the belt", Remedy: "look, then confirm it", Command: "--yes"}
	}
	return nil
}

// trialFaults lists what is impossible.
func (m *Machine) trialFaults(q *TrialBegin) []string {
	var wrong []string
	say := func(bad bool, format string, a ...any) {
		if bad {
			wrong = append(wrong, fmt.Sprintf(format, a...))
		}
	}
	say(!(q.RunMM >= shortestTrialMM && q.RunMM <= longestTrialMM), "a run of %g m is not possible (%g to %g m)", q.RunMM/1000, shortestTrialMM/1000.0, longestTrialMM/1000.0)
	fastest := 12_000.0
	if v := m.link.board.Limits.SpeedMMPerS[m.set.BeltAxis]; v > 0 {
		fastest = min(fastest, 60*v)
	}
	say(q.FeedMMPerMin != 0 && !(q.FeedMMPerMin >= 60 && q.FeedMMPerMin <= fastest), "a feed of %g mm/min is not possible (60 to %g)", q.FeedMMPerMin, fastest)
	say(q.BeforeMM == nil, "the offset before the run is missing")
	say(q.BeforeMM != nil && !(math.Abs(*q.BeforeMM) <= largestOffsetMM), "an offset of %g mm is not possible on this belt (at most %d mm either way)", value(q.BeforeMM), largestOffsetMM)
	say((q.Adjuster == "") != (q.Turns == 0), "name an adjuster and its turns together")
	say(!(math.Abs(q.Turns) <= largestTurn), "%g turns are not possible", q.Turns)
	say(len(q.Adjuster) > 40, "the name of the adjuster is longer than 40 characters")
	say(!(m.set.OffsetLimitMM > 0), "belt.offset_limit_mm is 0, so there is no limit to judge the belt by")
	return wrong
}

func value(v *float64) float64 {
	if v == nil {
		return 0
	}
	return *v
}

// trialView returns the open trial for the snapshot.
func (m *Machine) trialView() *TrialView {
	t := m.trials.open()
	if t == nil {
		return nil
	}
	v := &TrialView{ID: t.ID, RunMM: t.RunMM, Ran: t.Ran, BeforeMM: t.BeforeMM, DoneMM: m.belt.base.TravelMM - t.TravelMM}
	if t.Ran {
		v.DoneMM = t.RanTravelMM - t.TravelMM
	}
	return v
}

// trialLegs run the belt for a trial that waits for it. Each piece ends before the next is sent, so
// that at most one runs out after a stop.
func (m *Machine) trialLegs() []leg {
	t := m.trials.open()
	if !m.trials.active || t == nil {
		return nil
	}
	legs := []leg{{end: func() {
		if m.boardDiffers != "" {
			m.interruptTrial(m.boardDiffers)
			m.work.legs = nil
		}
	}}, {
		doing:   trialDoing,
		begin:   func() { m.timers.set(timerSave, m.now.Add(m.set.ProgressEvery)) },
		program: func() Program { return Program{Before: []string{resetLineNumber}} },
	}}
	legs = append(legs, m.advanceLegsAt(m.trialFeed, min(m.set.TravelLimitMM, trialPieceMM), trialDoing, t.RunMM,
		func(at gcode.State) float64 { return at.PositionMM[m.set.BeltAxis] }, "the belt has not run the whole distance", func() {})...)
	return append(legs, leg{end: m.trialStopped})
}

// trialDoing is shown while the belt runs.
const trialDoing = "running the belt for the trial; keep hands clear"

// trialStopped notes that the belt has stopped.
func (m *Machine) trialStopped() {
	m.trials.active = false
	m.timers.stop(timerSave)
	t := m.trials.open()
	if t == nil {
		return
	}
	if ran := m.belt.base.TravelMM - t.TravelMM; math.Abs(ran-t.RunMM) > 1 {
		m.trials.active = true
		m.interruptTrial(fmt.Sprintf("the belt has run %.2f m of %.2f", ran/1000, t.RunMM/1000))
		return
	}
	t.Ran, t.RanTravelMM, t.RanAdvanceMM = true, m.belt.base.TravelMM, m.belt.base.AdvanceMM
	m.record(ledger.TrialRan{ID: t.ID, TravelMM: t.RanTravelMM, AdvanceMM: t.RanAdvanceMM}, ledger.BeltMoved{Belt: m.belt.totals()})
	m.note("trial", fmt.Sprintf("trial %d: the belt has stopped; read the offset", t.ID))
}

// interruptTrial ends a trial whose run something else has interrupted.
func (m *Machine) interruptTrial(why string) {
	t := m.trials.open()
	if !m.trials.active || t == nil {
		return
	}
	m.trials.active = false
	m.timers.stop(timerSave)
	m.recordTrialEnd(t, "interrupted: "+why, nil)
	m.record(ledger.BeltMoved{Belt: m.belt.totalsInMotion()})
}

func (m *Machine) recordTrialEnd(t *ledger.Trial, how string, afterMM *float64) {
	t.Ended, t.How, t.AfterMM = true, how, afterMM
	m.record(ledger.TrialEnded{ID: t.ID, How: how, AfterMM: afterMM})
	m.note("trial", fmt.Sprintf("trial %d: %s", t.ID, how))
}

// endInterruptedTrial ends a trial during which the last process ended.
func (m *Machine) endInterruptedTrial() {
	if t := m.trials.open(); m.trials.interrupted && t != nil {
		m.recordTrialEnd(t, "interrupted: the daemon ended during it", nil)
		m.record(ledger.BeltMoved{Belt: m.belt.totals()}) // a second restart must not count it again
	}
	m.trials.interrupted = false
}

// endTrial takes the second reading and judges the alignment by it.
func (m *Machine) endTrial(r Request) error {
	const what = "end the trial"
	q := r.TrialEnd
	t := m.trials.open()
	switch {
	case t == nil:
		return &Refusal{What: what, Why: "no trial is open" + m.lastTrial(), Remedy: "begin one", Command: "beltwarden trial begin"}
	case !t.Ran:
		return &Refusal{What: what, Why: fmt.Sprintf("the belt is still running: %.1f of %.1f m", m.trialView().DoneMM/1000, t.RunMM/1000), Remedy: "wait, or stop it", Command: "beltwarden stop"}
	case q.GiveUp:
		m.recordTrialEnd(t, "given up by "+who(r.By), nil)
		m.out.Result.Text = fmt.Sprintf("trial %d is given up", t.ID)
		return nil
	case q.AfterMM == nil || !(math.Abs(*q.AfterMM) <= largestOffsetMM):
		return &Refusal{What: what, Why: fmt.Sprintf("the offset after the run is missing or beyond %d mm", largestOffsetMM), Remedy: "give it", Command: "--after-mm MM"}
	case math.Abs(m.belt.base.TravelMM-t.RanTravelMM) > 1:
		return &Refusal{What: what, Why: fmt.Sprintf("the belt has run %.2f m since, so its present offset is not the trial's", (m.belt.base.TravelMM-t.RanTravelMM)/1000), Remedy: "give the trial up and record the offset", Command: "beltwarden trial end --give-up, then beltwarden check --offset-mm MM"}
	case !(math.Abs(q.PartAdvanceMM) <= q.PartTravelMM):
		return &Refusal{What: what, Why: fmt.Sprintf("a part cannot advance the belt by %g mm in %g mm of travel", q.PartAdvanceMM, q.PartTravelMM), Remedy: "give travel and advance of one part, or neither to judge for the open lot"}
	case q.Parts < 0 || q.Parts > 1_000_000 || !(q.PartTravelMM >= 0 && q.PartTravelMM <= 1e6) || q.Parts > 0 != (q.PartTravelMM > 0):
		return &Refusal{What: what, Why: fmt.Sprintf("%d parts of %g mm of travel each are not possible", q.Parts, q.PartTravelMM), Remedy: "give both, or neither to judge for the open lot"}
	}
	before, after := reading(t.TravelMM, t.AdvanceMM, t.BeforeMM), reading(t.RanTravelMM, t.RanAdvanceMM, *q.AfterMM)
	offset := &Visit{OffsetMM: q.AfterMM, Sure: q.Sure, Note: fmt.Sprintf("trial %d: after", t.ID)}
	// Drift before the trial is no measure for it: only a value that looks like a typing error is
	// questioned.
	if odd := m.unlikelyValues(offset, []belt.Reading{before, after}); len(odd) > 0 {
		return &Refusal{What: what, Why: joinFaults(odd), Remedy: "look again; if the values are right, confirm them", Command: "--sure"}
	}
	if OffsetsAlike(*q.AfterMM, t.BeforeMM) && !q.MarkMoved {
		return &Refusal{What: what, Why: "the two offsets are the same, as if the belt had not run: without mains power the board still reports that it ran",
			Remedy: "if you saw a mark on the belt move, say so; else give the trial up, switch the mains on and try again", Command: "--mark-moved, or --give-up"}
	}
	offset.Sure = true
	if err := m.visit(Request{By: r.By, Visit: offset}); err != nil {
		return err
	}
	m.recordTrialEnd(t, "read", q.AfterMM)
	ahead, advance := m.travelAhead(q)
	v := m.bed.TrialOutlook().Judge(before, after, ahead, advance)
	result := &TrialResult{Verdict: v, Adjusters: m.adjusters(v.RateMMPerM)}
	m.out.Result.Trial = result
	m.out.Result.Text = result.text(m.set.OffsetLimitMM)
	m.note("trial", fmt.Sprintf("trial %d: %+.3f mm/m, %s", t.ID, v.RateMMPerM, v.Alignment))
	return nil
}

// OffsetsAlike reports whether two offsets may be those of a belt that stood still.
func OffsetsAlike(aMM, bMM float64) bool { return math.Abs(aMM-bMM) < readingAccuracyMM }

// travelAhead returns the travel and net advance to judge for: as requested, or those of the open lot.
func (m *Machine) travelAhead(q *TrialEnd) (travelMM, advanceMM float64) {
	switch {
	case q.Parts > 0 && q.PartAdvanceMM != 0:
		return float64(q.Parts) * q.PartTravelMM, float64(q.Parts) * q.PartAdvanceMM
	case q.Parts > 0:
		return float64(q.Parts) * q.PartTravelMM, float64(q.Parts) * q.PartTravelMM
	case m.lot != nil && m.lot.Status == ledger.LotOpen:
		travelMM = float64(m.lot.Wanted()) * m.nextTravelMM()
		return travelMM, travelMM * m.advancePerTravel()
	}
	return 0, 0
}

// lastTrial describes how the newest trial ended if it was interrupted.
func (m *Machine) lastTrial() string {
	if n := len(m.trials.list); n > 0 && m.trials.list[n-1].AfterMM == nil {
		return fmt.Sprintf("; trial %d was %s", m.trials.list[n-1].ID, m.trials.list[n-1].How)
	}
	return ""
}

func reading(travelMM, advanceMM, offsetMM float64) belt.Reading {
	return belt.Reading{TravelMM: travelMM, AdvanceMM: advanceMM, OffsetMM: offsetMM}
}

// adjusters learns from all trials what each adjuster does: the change of rate from one trial to the
// next, per turn between them. If two adjusters were turned between two trials, neither can be
// credited.
func (m *Machine) adjusters(rateMMPerM float64) []AdjusterView {
	turns := map[string][]belt.Turn{}
	inverse := map[string]float64{} // sum of squared inverse runs of a name's trials
	var before *ledger.Trial
	name, sum, mixed := "", 0.0, false
	for i := range m.trials.list {
		t := &m.trials.list[i]
		if t.Turns != 0 {
			mixed = mixed || name != "" && name != t.Adjuster
			name, sum = t.Adjuster, sum+t.Turns
		}
		if t.AfterMM == nil {
			continue // interrupted; what was turned before it still counts
		}
		if before != nil && name != "" && !mixed {
			turns[name] = append(turns[name], belt.Turn{Turns: sum, RateChangeMMPerM: trialRate(t) - trialRate(before)})
			inverse[name] += math.Pow(trialMetres(t), -2) + math.Pow(trialMetres(before), -2)
		}
		before, name, sum, mixed = t, "", 0, false
	}
	scatter := m.bed.TrialOutlook().ReadingScatter()
	list := []AdjusterView{}
	for name, turned := range turns {
		// Two readings make a rate, and two rates a change.
		sd := scatter.SDMM * math.Sqrt(2*inverse[name]/float64(len(turned)))
		v := AdjusterView{Name: name, Response: belt.Respond(turned, sd, scatter.DF)}
		if a, ok := v.Response.Undo(rateMMPerM); ok {
			v.Advice = &a
		}
		list = append(list, v)
	}
	slices.SortFunc(list, func(a, b AdjusterView) int { return strings.Compare(a.Name, b.Name) })
	return list
}

func trialMetres(t *ledger.Trial) float64 { return (t.RanTravelMM - t.TravelMM) / 1000 }

func trialRate(t *ledger.Trial) float64 { return (*t.AfterMM - t.BeforeMM) / trialMetres(t) }

// text describes the result of a trial.
func (r *TrialResult) text(limitMM float64) string {
	v := r.Verdict
	side := "the belt was seen to run, and did not move sideways"
	if v.Side != "" {
		side = fmt.Sprintf("the belt moved %.2f mm to the %s", math.Abs(v.AfterMM-v.BeforeMM), v.Side)
	}
	lines := []string{fmt.Sprintf("%s in %.1f m: %+.3f mm/m, between %+.3f and %+.3f by the error of reading (95 %%)", side, v.RunMM/1000, v.RateMMPerM, v.Rate95[0], v.Rate95[1])}
	reach := fmt.Sprintf("its offset is %+.2f mm and does not reach the limit of %.1f mm at this rate", v.AfterMM, limitMM)
	switch mm := v.TravelToLimitMM; {
	case mm != nil && *mm == 0:
		reach = fmt.Sprintf("its offset is %+.2f mm, beyond the limit of %.1f mm", v.AfterMM, limitMM)
	case mm != nil:
		reach = fmt.Sprintf("from %+.2f mm it reaches the limit of %.1f mm after %.1f m at this rate", v.AfterMM, limitMM, *mm/1000)
	}
	lines = append(lines, reach+fmt.Sprintf("; with 95 %% certainty not before %.1f m", v.TravelToLimitLower95MM/1000))
	lies := fmt.Sprintf("%.1f m of travel lie ahead, %.1f m of it net advance: ", v.AheadMM/1000, v.AheadAdvanceMM/1000)
	switch v.Alignment {
	case belt.AlignmentNoLot:
		lies = "there is no lot to judge it by: open one, or give the parts to come and the travel of one"
	case belt.AlignmentUnclear:
		lies += fmt.Sprintf("this trial cannot show whether the alignment is good enough; a trial of %.1f m reduces the uncertainty at its end to half the limit", v.NeededMM/1000)
	case belt.AlignmentDepends:
		lies += "the belt stays within its limit if its drift reverses when it runs back (roller out of line), and exceeds it if not (slip); the first checks of the lot will show"
	default:
		lies += "the alignment is " + string(v.Alignment)
	}
	lines = append(lines, lies)
	for _, a := range r.Adjusters {
		switch {
		case a.Advice != nil:
			lines = append(lines, a.Advice.Text(a.Name, a.N))
		default:
			lines = append(lines, fmt.Sprintf("the effect of %q is not known yet, by %s", a.Name, plural(a.N, "adjustment", "adjustments")))
		}
	}
	return strings.Join(lines, "\n")
}
