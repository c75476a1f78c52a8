package metrics

import (
	"slices"
	"strings"
	"time"

	"beltwarden/supervisor"
)

// otherCode stands for a code that this table does not know.
const otherCode = "other"

// needCodes are the reasons why somebody must be there, or why the machine must wait.
func needCodes() (codes []string) {
	for _, n := range supervisor.Needs() {
		codes = append(codes, n.Code)
	}
	return codes
}

// reasons are the codes that a hold or a fault can have; any other is "other".
var reasons = append(append([]string{supervisor.CauseOperator}, needCodes()...), supervisor.CauseLink, supervisor.CauseBoard, supervisor.CauseHeat,
	supervisor.CauseLedger, supervisor.CauseJob, supervisor.CauseRestart, supervisor.CauseShutdown, otherCode)

// visitReasons are the codes that a visit can have; any other is "other".
var visitReasons = append(needCodes(), supervisor.CauseDone, otherCode)

// known returns the code, or "other" when the list does not have it.
func known(list []string, code string) string {
	if slices.Contains(list, code) {
		return code
	}
	return otherCode
}

// state sends the state, and why the machine waits or has aborted.
func state(out emitter, s *supervisor.Snapshot) {
	for _, state := range supervisor.States() {
		out.gauge(stateSet, boolValue(state == s.State), strings.ToLower(state.String()))
	}
	out.timestamp(stateSince, s.Since)
	why := known(reasons, s.Cause.Code)
	held, fault := false, false
	switch s.State {
	case supervisor.Holding, supervisor.Held, supervisor.Suspending, supervisor.Suspended:
		held = true
	case supervisor.Aborting, supervisor.Aborted:
		fault = true
	}
	for _, r := range reasons {
		out.gauge(holdReason, boolValue(held && r == why), r)
		out.gauge(faultSet, boolValue(fault && r == why), r)
	}
}

// visits sends when somebody must be at the machine, and why.
func visits(out emitter, s *supervisor.Snapshot) {
	n := s.Next
	var why []string
	if n != nil {
		for _, code := range append([]string{n.Reason}, n.Also...) {
			why = append(why, known(visitReasons, code))
		}
		out.gauge(nextParts, float64(n.Parts))
		out.gauge(nextTravel, metres(n.MM))
		out.timestamp(nextVisit, n.At)
		if !n.Unseen { // else they are no more than a guess
			out.timestamp(nextEarly, n.Early)
			out.timestamp(nextLate, n.Late)
		}
		out.gauge(visitsLeft, float64(1+len(s.Later)))
	}
	for _, r := range visitReasons {
		out.gauge(nextReason, boolValue(slices.Contains(why, r)), r)
	}
}

// lot sends the lot in progress.
func lot(out emitter, s *supervisor.Snapshot) {
	l := s.Lot
	if l == nil {
		out.gauge(sizeSignal, 0)
		return
	}
	out.gauge(orderParts, float64(l.Ordered))
	out.gauge(orderMade, float64(l.Made))
	out.gauge(orderGood, float64(l.Good))
	out.gauge(orderScrap, float64(l.Scrap))
	out.gauge(orderUnverified, float64(l.Unverified))
	out.gauge(orderLeft, float64(l.Wanted))
	if !l.DoneAt.IsZero() {
		out.timestamp(orderETA, l.DoneAt)
		out.gauge(orderRemaining, max(0, l.DoneAt.Sub(s.At).Seconds()))
		if !l.DoneUnseen {
			out.timestamp(orderEarly, l.DoneEarly)
			out.timestamp(orderLate, l.DoneLate)
		}
	}
	if l.Part > 0 {
		out.timestamp(partBegun, l.PartBegun)
	}
	if l.PartTakes > 0 {
		out.gauge(partExpected, l.PartTakes.Round(time.Millisecond).Seconds())
	}
	if y := l.Yield; y != nil {
		out.gauge(yieldCycles, float64(y.Cycles))
		out.gauge(yieldRatio, y.Yield)
		out.gauge(yieldLow, y.Low)
		out.gauge(yieldHigh, y.High)
	}
	out.gauge(sizeSignal, boolValue(l.SizeSignal != ""))
	for i, j := range l.Jobs {
		if j.Size != nil && i < maxPositions {
			size(out, positions[i], j.Size)
		}
	}
}
