package supervisor

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
)

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
		m.endOfTrial(t, "given up by "+who(r.By), nil)
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
	// How the belt ran before the trial is no measure of it: only a slip of the pen is asked back.
	if odd := m.doubts(offset, []belt.Reading{before, after}); len(odd) > 0 {
		return &Refusal{What: what, Why: inWords(odd), Remedy: "look again; if the values are right, confirm them", Command: "--sure"}
	}
	if OffsetsAlike(*q.AfterMM, t.BeforeMM) && !q.MarkMoved {
		return &Refusal{What: what, Why: "the two offsets are the same, as if the belt had not run: without mains power the board still reports that it ran",
			Remedy: "if you saw a mark on the belt move, say so; else give the trial up, switch the mains on and try again", Command: "--mark-moved, or --give-up"}
	}
	offset.Sure = true
	if err := m.visit(Request{By: r.By, Visit: offset}); err != nil {
		return err
	}
	m.endOfTrial(t, "read", q.AfterMM)
	ahead, advance := m.waysAhead(q)
	v := m.bed.TrialOutlook().Judge(before, after, ahead, advance)
	result := &TrialResult{Verdict: v, Adjusters: m.adjusters(v.RateMMPerM)}
	m.out.Result.Trial = result
	m.out.Result.Text = result.text(m.set.OffsetLimitMM)
	m.note("trial", fmt.Sprintf("trial %d: %+.3f mm/m, %s", t.ID, v.RateMMPerM, v.Alignment))
	return nil
}

// OffsetsAlike reports whether two offsets may be those of a belt that stood still.
func OffsetsAlike(aMM, bMM float64) bool { return math.Abs(aMM-bMM) < alikeMM }

// waysAhead are travel and net advance to judge for: as asked, or those of the open lot.
func (m *Machine) waysAhead(q *TrialEnd) (travelMM, advanceMM float64) {
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

// lastTrial says how the newest trial ended if it was broken off.
func (m *Machine) lastTrial() string {
	if n := len(m.trials.list); n > 0 && m.trials.list[n-1].AfterMM == nil {
		return fmt.Sprintf("; trial %d was %s", m.trials.list[n-1].ID, m.trials.list[n-1].How)
	}
	return ""
}

func reading(travelMM, advanceMM, offsetMM float64) belt.Reading {
	return belt.Reading{TravelMM: travelMM, AdvanceMM: advanceMM, OffsetMM: offsetMM}
}

// adjusters learns from all trials what each adjuster does: the change of rate from one
// trial to the next, by what was turned between them. Where two adjusters were turned
// between two trials, neither can be credited.
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
			continue // broken off; what was turned before it is turned all the same
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

// text says in words what a trial has shown.
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
	case belt.AlignmentAlone:
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
