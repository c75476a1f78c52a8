package heat

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// target compares the commanded target of one heater with the one that the board reports. A line
// reaches the heater only when the moves before it have begun, so an earlier target may stay in
// force for a while.
type target struct {
	seen   bool
	wantC  float64
	since  time.Duration // when it was commanded
	before []oldTarget
	off    bool // the board has reported it to be off since

	differs  bool // the board reports another target
	otherC   float64
	from     time.Duration // since when
	returned bool          // CheckTarget has returned it
}

type oldTarget struct {
	c     float64
	until time.Duration
}

// How long an earlier target may stay in force while lines are in progress, and how long the board
// must report another target before it counts: a command takes a moment to get there.
const (
	oldTargetFor   = 10 * time.Minute
	otherTargetFor = 10 * time.Second
	sameTargetC    = 1.5
)

// ForeignTarget is a reported target that was not commanded: somebody set it at the panel, another
// program did, or the board switched off by a time limit of its own.
type ForeignTarget struct {
	WantC, IsC float64       // as commanded, and as reported
	For        time.Duration // how long it has been reported
	Kept       bool          // the heater was switched off, and the board has not reported it to be off since
	Above      bool          // it is above the heater's ceiling
	Again      bool          // it was returned before
	Text       string
}

// CheckTarget compares a reported target with the commanded one. With underWay lines are in
// progress and an earlier target may be in force. It reports whether the board has kept another
// target for long enough.
func (g *Guard) CheckTarget(i HeaterIndex, at time.Duration, wantC, isC float64, underWay bool) (o ForeignTarget, other bool) {
	h := g.of(i)
	t := &h.target
	if wantC != t.wantC || !t.seen {
		if t.seen {
			t.before = append(slices.DeleteFunc(t.before, func(o oldTarget) bool { return at > o.until }), oldTarget{t.wantC, at + oldTargetFor})
		}
		t.seen, t.wantC, t.since, t.off = true, wantC, at, false
	}
	t.off = t.off || isC == 0
	same := math.Abs(isC-wantC) <= sameTargetC
	if !same && underWay {
		same = slices.ContainsFunc(t.before, func(o oldTarget) bool { return math.Abs(isC-o.c) <= sameTargetC && at < o.until })
	}
	switch {
	case same:
		t.differs = false
		return ForeignTarget{}, false
	case !t.differs || math.Abs(isC-t.otherC) > sameTargetC:
		t.differs, t.otherC, t.from, t.returned = true, isC, at, false
		return ForeignTarget{}, false
	case at-t.from < otherTargetFor || at-t.since < otherTargetFor:
		return ForeignTarget{}, false
	}
	o = ForeignTarget{WantC: wantC, IsC: isC, For: at - t.from, Kept: wantC == 0 && !t.off, Again: t.returned}
	ceilingC := h.watch.lim.CeilingC
	o.Above = ceilingC > 0 && isC > ceilingC
	switch {
	case o.Kept:
		o.Text = fmt.Sprintf("beltwarden switched the board's %s off, but the board keeps its target of %.0f °C", i, isC)
	case isC == 0:
		o.Text = fmt.Sprintf("the board's %s was set to %.0f °C and is off: something else switched it off, or a time limit of the board", i, wantC)
	default:
		o.Text = fmt.Sprintf("the board's %s target is %.0f °C, but beltwarden set %.0f: something else has changed it", i, isC, wantC)
	}
	t.returned = true
	return o, true
}

// ResetTarget restarts the wait for another target: the reported one is being changed.
func (g *Guard) ResetTarget(i HeaterIndex) { g.of(i).target.differs = false }
