package heat

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// target follows what one heater is commanded, and what the board reports as its target. A
// line handed out reaches the heater only once the moves before it are under way, so that
// what was commanded a while ago may still stand.
type target struct {
	seen   bool
	wantC  float64
	since  time.Duration // when that was commanded
	before []oldTarget
	off    bool // the board has reported it to be off since

	differs  bool // the board reports another one
	otherC   float64
	from     time.Duration // since when
	returned bool          // that was returned
}

type oldTarget struct {
	c     float64
	until time.Duration
}

// How long what was commanded before may still stand while lines are under way, and how long
// the board may report another target before it is taken for somebody's wish: at rest a
// word takes a moment to get there.
const (
	oldTargetFor   = 10 * time.Minute
	otherTargetFor = 10 * time.Second
	sameTargetC    = 1.5
)

// ForeignTarget is a target that the board reports of a heater and that was not commanded: somebody has set
// it at the machine's own panel, another program has, or the board by a time limit of its own.
type ForeignTarget struct {
	WantC, IsC float64       // as commanded, and as reported
	For        time.Duration // how long it has been reported
	Kept       bool          // the heater was switched off, and the board has not reported it to be off since
	Above      bool          // it is above the most that the heater may have
	Again      bool          // it was returned before
	Text       string
}

// CheckTarget compares the target that the board reports of a heater with the one that it was commanded.
// With underWay lines are, and one commanded before may still stand. It reports whether the
// board has held to another one for long enough.
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

// ResetTarget waits anew for another target of a heater: what was reported is being changed.
func (g *Guard) ResetTarget(i HeaterIndex) { g.of(i).target.differs = false }
