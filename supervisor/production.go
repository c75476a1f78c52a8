package supervisor

import (
	"fmt"
	"time"

	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// Production is how a lot was produced, by ISO 22400-2, with the losses by class. Times are seconds on
// the machine's own clock; time without a running daemon is excluded.
type Production struct {
	PlannedBusyS      float64 `json:"planned_busy_s"`
	ActualProductionS float64 `json:"actual_production_s"` // cycles of parts made and moved off, and of interrupted parts until the interruption
	PlannedRunS       float64 `json:"planned_run_s"`       // of one part, 0 when it was not recorded
	// PlannedWaits: it includes all waits for temperatures. Waits that were unknown when the lot was
	// opened appear as a loss in effectiveness.
	PlannedWaits bool `json:"planned_waits"`
	// Losses between them.
	BetweenS   float64 `json:"between_s"` // in the run, with no part in progress: beginning, ending
	HeldS      float64 `json:"held_s"`
	SuspendedS float64 `json:"suspended_s"` // for lack of filament or room in the bin, or on request
	FaultsS    float64 `json:"faults_s"`    // including interrupted parts that wait for a decision
	// Not planned.
	UnattendedS float64 `json:"unattended_s"`  // outside the attended hours
	IdleS       float64 `json:"idle_s"`        // stopped, idle or complete
	InWorkS     float64 `json:"in_progress_s"` // of the part that is not made yet
	// UnseenS is about how long no daemon ran, by the wall clock. UnseenStarts counts the starts
	// before which that is unknown because the clock was set.
	UnseenS      float64 `json:"unseen_s"`
	UnseenStarts int     `json:"unseen_starts,omitempty"`

	Produced   int `json:"produced"` // including interrupted parts that were scrap
	Good       int `json:"good"`     // found good; excludes parts not looked at
	Unverified int `json:"unverified"`
	// Figures is nil while they cannot be computed; Why gives the reason.
	Figures *quality.Figures `json:"figures,omitempty"`
	Why     string           `json:"why,omitempty"`
	// Most is what quality ratio and OEE become if every part not looked at is good.
	Most *quality.Figures `json:"figures_if_unverified_good,omitempty"`
}

// stretch is an interval within one start of the daemon.
type stretch struct {
	boot     int64
	from, to time.Duration // since that start
}

func (s stretch) length() time.Duration { return max(0, s.to-s.from) }

// within returns how much of the stretch lies in others, which do not overlap.
func (s stretch) within(others []stretch) (d time.Duration) {
	for _, o := range others {
		if o.boot == s.boot {
			d += max(0, min(s.to, o.to)-max(s.from, o.from))
		}
	}
	return d
}

// maxSpeedUp is how many times faster than planned a part may be made. Beyond it the clock is simulated
// or the planned time is wrong: a machine is often delayed, and hardly ever faster.
const maxSpeedUp = 2

// ProductionOf computes the production figures of a lot from its record.
func ProductionOf(l ledger.Lot, counts ledger.Counts, cycles []ledger.Cycle, holds []ledger.Hold, t ledger.Times) Production {
	p := Production{Produced: counts.Made, Good: counts.Good, Unverified: counts.Unverified}
	var made, broken, running, unattended []stretch
	tornS := 0.0 // planned time of interrupted parts, at most the time they took
	for _, c := range cycles {
		s := between(c.Begun, c.Discharged, t)
		switch {
		case c.State == ledger.CycleStateBegun:
			running = append(running, s)
		case c.State == ledger.CycleStateMade:
			made = append(made, between(c.Begun, c.Made, t))
		case c.State == ledger.CycleStateDischarged:
			made = append(made, s)
		case c.State == ledger.CycleStateDecided && c.Good:
			made = append(made, between(c.Begun, c.Interrupted, t))
		case c.State == ledger.CycleStateDecided: // an interrupted part that was decided on: made, and scrap
			torn := between(c.Begun, c.Interrupted, t)
			made = append(made, torn)
			if c.JobIndex < len(l.Jobs) {
				tornS += min(torn.length(), l.Jobs[c.JobIndex].PlannedRun).Seconds()
			}
		default:
			broken = append(broken, between(c.Begun, c.Interrupted, t))
		}
	}
	for _, h := range holds {
		if h.Reason == CauseUnattended {
			unattended = append(unattended, between(h.Begun, h.Ended, t))
		}
	}
	for i, s := range t.States {
		next := ledger.Stamp{}
		if i+1 < len(t.States) {
			next = t.States[i+1].Stamp
		}
		span := between(s.Stamp, next, t)
		if o := l.Opened; o.Boot == span.boot && o.Seq > s.Stamp.Seq {
			span.from = max(span.from, o.SinceStart)
		}
		if last := t.Last[s.Stamp.Boot]; next.Boot > s.Stamp.Boot && last.Seq > 0 {
			if gap, ok := t.Gap(last, next); ok {
				p.UnseenS += gap.Seconds()
			} else {
				p.UnseenStarts++
			}
		}
		p.add(stateOf(&s), span, made, broken, running, unattended)
	}
	p.PlannedBusyS = p.ActualProductionS + p.BetweenS + p.HeldS + p.SuspendedS + p.FaultsS
	p.setFigures(l, counts, tornS)
	return p
}

// between returns the time from one stamp to another. If the second was written by a later start, or
// never, it ends at the first start's last sign of life.
func between(from, to ledger.Stamp, t ledger.Times) stretch {
	if to.Seq == 0 || to.Boot != from.Boot {
		to = t.Last[from.Boot]
	}
	return stretch{from.Boot, from.SinceStart, max(from.SinceStart, to.SinceStart)}
}

// add adds the time in a state to the classes it belongs to.
func (p *Production) add(state State, span stretch, made, broken, running, unattended []stretch) {
	producing, lost, inWork := span.within(made), span.within(broken), span.within(running)
	p.ActualProductionS += producing.Seconds()
	p.FaultsS += lost.Seconds()
	p.InWorkS += inWork.Seconds()
	rest := (span.length() - producing - lost - inWork).Seconds()
	switch state {
	case Starting, Execute, Completing:
		p.BetweenS += rest
	case Holding, Held, Unholding:
		p.HeldS += rest
	case Suspending, Suspended, Unsuspending:
		away := min(rest, span.within(unattended).Seconds())
		p.UnattendedS += away
		p.SuspendedS += rest - away
	case Aborting, Aborted, Clearing:
		p.FaultsS += rest
	default:
		p.IdleS += rest
	}
}

// setFigures computes the figures from the times.
func (p *Production) setFigures(l ledger.Lot, counts ledger.Counts, tornS float64) {
	var planned float64
	known := true
	p.PlannedWaits = true
	for i, j := range counts.ByJob {
		if n := j.Made - j.InterruptedScrap; n > 0 && i < len(l.Jobs) { // the planned time of interrupted parts is in tornS
			planned += float64(n) * l.Jobs[i].PlannedRun.Seconds()
			known = known && l.Jobs[i].PlannedRun > 0
			p.PlannedWaits = p.PlannedWaits && l.Jobs[i].PlannedWaits
		}
	}
	whole := counts.Made - counts.InterruptedScrap
	if whole == 0 {
		p.Why = "no part was made yet"
		return
	}
	if !known {
		p.Why = "how long a part was to take was not recorded when the lot was opened"
		return
	}
	p.PlannedRunS = planned / float64(whole)
	seconds := func(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
	q := quality.Production{PlannedBusy: seconds(p.PlannedBusyS), ActualProduction: seconds(p.ActualProductionS),
		PlannedPerItem: seconds((planned + tornS) / float64(p.Produced)), Produced: int64(p.Produced), Good: int64(p.Good)}
	f, err := quality.FiguresOf(q)
	if err != nil {
		p.Why = err.Error()
		return
	}
	if f.Effectiveness > maxSpeedUp {
		p.Why = fmt.Sprintf("a part took %.0f s and was planned to take %.0f s: the clock is a simulated one, or the planned time is wrong",
			p.ActualProductionS/float64(p.Produced), p.PlannedRunS)
		return
	}
	p.Figures = &f
	if p.Unverified > 0 {
		q.Good += int64(p.Unverified)
		if most, err := quality.FiguresOf(q); err == nil {
			p.Most = &most
		}
	}
}
