package supervisor

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
)

// TrialBegin asks for a trial of the belt's alignment: the empty, cold belt runs forward,
// and its lateral offset is read before and after.
type TrialBegin struct {
	RunMM        float64  `json:"run_mm"`                    // 0 is 5 m, or as many whole loops of the belt
	FeedMMPerMin float64  `json:"feed_mm_per_min,omitempty"` // 0 is that of the discharge
	BeforeMM     *float64 `json:"before_mm"`                 // lateral offset as it is now
	// Adjuster and Turns are what the operator turned since the trial before, under a name
	// and with a sign of their own. The belt counts as realigned by it.
	Adjuster string  `json:"adjuster,omitempty"`
	Turns    float64 `json:"turns,omitempty"`
	// Clear is the operator's word that hands, tools and parts are off the belt and the
	// head is off it too. Without it nothing moves.
	Clear bool `json:"clear"`
	Sure  bool `json:"sure,omitempty"` // odd as the offset looks, it is so
}

// TrialEnd ends a trial: with the offset after the run, or by giving it up.
type TrialEnd struct {
	AfterMM *float64 `json:"after_mm,omitempty"`
	GiveUp  bool     `json:"give_up,omitempty"`
	// MarkMoved is the operator's word that a mark on the belt was seen to move. Offsets alike to less than
	// half a millimetre are judged with it alone: a belt that stood still has them too.
	MarkMoved bool `json:"mark_moved,omitempty"`
	Sure      bool `json:"sure,omitempty"` // odd as the offset looks, it is so
	// Parts and PartTravelMM are what the belt is to run next, in place of the open lot's;
	// PartAdvanceMM is the net advance of a part, 0 when it is as much as the travel.
	Parts         int     `json:"parts,omitempty"`
	PartTravelMM  float64 `json:"part_travel_mm,omitempty"`
	PartAdvanceMM float64 `json:"part_advance_mm,omitempty"`
}

// TrialView is a trial that has begun and not ended.
type TrialView struct {
	ID       int64   `json:"id"`
	RunMM    float64 `json:"run_mm"`
	DoneMM   float64 `json:"done_mm"`
	Ran      bool    `json:"ran"` // the belt has stopped and the offset is to be read
	BeforeMM float64 `json:"before_mm"`
}

// TrialResult is what a trial has shown, and what is known of the adjusters.
type TrialResult struct {
	belt.Verdict
	Adjusters []AdjusterView `json:"adjusters"`
}

// AdjusterView is what was learned of one adjuster.
type AdjusterView struct {
	Name string `json:"name"`
	belt.Response
	Advice *belt.Advice `json:"advice,omitempty"` // nil while the response is in doubt
}

// trials are those of this ledger, the newest last.
type trials struct {
	list []ledger.Trial
	// wanted: the newest is to run once the board is ready, or runs.
	wanted bool
	lost   bool // an earlier process ended in the middle of the newest
}

// Bounds on a trial.
const (
	shortestTrialMM = 500
	longestTrialMM  = 100_000
	trialMM         = 5000
	sameMarkMM      = 20 // so close to one place of the belt its edge is the same
	largestTurn     = 50
	// trialColdC: metal may be touched at it for a minute (from memory of the figures on
	// skin burns; common practice, no source). Hands are at the belt before and after.
	trialColdC   = 50
	trialPieceMM = 100 // at most, to run out after a stop
	alikeMM      = 0.5 // a rule is read to that
	keptTrials   = 500 // to learn from
)

// open returns the trial that has begun and not ended.
func (t *trials) open() *ledger.Trial {
	if n := len(t.list); n > 0 && !t.list[n-1].Ended {
		return &t.list[n-1]
	}
	return nil
}

// beginTrial takes the first reading and sets the machine to work. The belt runs in
// Resetting, which makes a machine ready without a lot: heaters are off in it by its own
// questions, and the operator can stop it or abort.
func (m *Machine) beginTrial(r Request) error {
	const what = "begin the trial"
	asked := *r.TrialBegin
	q := &asked
	if q.RunMM == 0 {
		q.RunMM = m.usualTrialMM()
	}
	if err := m.mayTry(what, q); err != nil {
		return err
	}
	offset := &Visit{OffsetMM: q.BeforeMM, Sure: q.Sure}
	readings := []belt.Reading{{TravelMM: m.belt.base.TravelMM, AdvanceMM: m.belt.base.AdvanceMM, OffsetMM: *q.BeforeMM}}
	if q.Turns == 0 { // else what was read before is of another alignment
		readings = append(slices.Clone(m.bed.Readings), readings...)
	}
	if odd := m.doubts(offset, readings); len(odd) > 0 {
		return &Refusal{What: what, Why: inWords(odd), Remedy: "look again; if the values are right, confirm them", Command: "--sure"}
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
	text += m.looped(q.RunMM)
	m.note("trial", text)
	why := Cause{CauseOperator, text + ", asked for by " + who(r.By)}
	if m.state == Idle {
		m.change(Stop, why) // lifts the head if it can; the reset follows
		m.trials.wanted = true
	} else {
		m.trials.wanted = true
		m.change(Reset, why)
	}
	m.out.Result.Text = text
	return nil
}

// usualTrialMM is how far a trial runs of which nobody said how far: over whole loops, so that it
// ends where it began and an uneven edge does not count as drift.
func (m *Machine) usualTrialMM() float64 {
	if l := m.set.LoopMM; l > 0 && l <= longestTrialMM {
		return max(1, math.Round(trialMM/l)) * l
	}
	return trialMM
}

// looped says which runs end where they begin, of one that does not.
func (m *Machine) looped(runMM float64) string {
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

// mayTry refuses a trial that could hurt somebody, the belt or the count.
func (m *Machine) mayTry(what string, q *TrialBegin) error {
	if wrong := m.wrongTrial(q); len(wrong) > 0 {
		return &Refusal{What: what, Why: strings.Join(wrong, "; "), Remedy: "correct it and begin again"}
	}
	switch m.state {
	case Idle, Stopped, Complete:
	default:
		return &Refusal{What: what, Why: fmt.Sprintf("the machine is %s", m.state), Remedy: "a trial begins when it is Idle, Stopped or Complete"}
	}
	h := &m.heat
	switch {
	case m.link.phase != linkUp || m.work.running != 0 || len(m.work.legs) > 0:
		return &Refusal{What: what, Why: "the board is not connected or is busy", Remedy: "reset to make it ready", Command: "beltwarden reset"}
	case m.trials.open() != nil:
		return &Refusal{What: what, Why: fmt.Sprintf("trial %d is still open", m.trials.open().ID), Remedy: "read the offset and end the trial", Command: "beltwarden trial end --after-mm MM, or --give-up"}
	case !h.hasNozzle && !h.hasBed, h.hasNozzle && !h.nozzleTold(), h.hasBed && !h.bedTold():
		return &Refusal{What: what, Why: "the board does not report its temperatures", Remedy: "try again in a moment"}
	case h.nozzleC > trialColdC || h.bedC > trialColdC || h.nozzleTargetC > 0 || h.bedTargetC > 0:
		return &Refusal{What: what, Why: fmt.Sprintf("the machine is not cold: nozzle %.0f °C, bed %.0f °C, limit %d °C", h.nozzleC, h.bedC, trialColdC), Remedy: "let it cool"}
	case !m.belt.known || m.belt.occupied:
		return &Refusal{What: what, Why: "parts may be on the belt", Remedy: "clear the belt and record it", Command: "beltwarden check --belt-cleared"}
	case m.strange != "":
		return &Refusal{What: what, Why: m.strange, Remedy: "make sure that it is the right board, then accept it", Command: m.strangeCommand("beltwarden start --override REASON")}
	case !q.Clear:
		return &Refusal{What: what, Why: "nobody has confirmed that hands, tools and parts are clear of the belt", Remedy: "look, then confirm it", Command: "--yes"}
	}
	return nil
}

// wrongTrial lists what cannot be so.
func (m *Machine) wrongTrial(q *TrialBegin) []string {
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

// trialView shows the open trial.
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
