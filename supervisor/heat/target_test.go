package heat

import (
	"slices"
	"testing"
	"time"
)

// A board reports its targets every second; what is returned of it is written down.
type reported struct {
	*Guard
	at    time.Duration
	under bool // lines are under way
	other []ForeignTarget
}

func (r *reported) say(d time.Duration, wantC, isC float64) {
	for end := r.at + d; r.at < end; {
		r.at += time.Second
		if o, is := r.CheckTarget(Nozzle, r.at, wantC, isC, r.under); is {
			r.other = append(r.other, o)
		}
	}
}

func newReported() *reported {
	return &reported{Guard: NewGuard(NozzleLimits(260, OverC), BedLimits(100, OverC))}
}

// TestTargetOfSomebodyElse: a target that the board has held to for ten seconds, other than the one it was given, is
// somebody else's, with what it looks like.
func TestTargetOfSomebodyElse(t *testing.T) {
	const changed = "the board's nozzle target is 225 °C, but beltwarden set 205: something else has changed it"
	for name, c := range map[string]struct {
		tell func(r *reported)
		want *ForeignTarget // the first
	}{
		"as commanded": {func(r *reported) { r.say(time.Minute, 205, 205) }, nil},
		"rounded":      {func(r *reported) { r.say(time.Minute, 205, 206) }, nil},
		"another":      {func(r *reported) { r.say(time.Minute, 205, 225) }, &ForeignTarget{205, 225, 10 * time.Second, false, false, false, changed}},
		"a damaged line": {func(r *reported) {
			r.say(time.Minute, 205, 205)
			r.say(time.Second, 205, 5)
			r.say(time.Minute, 205, 205)
		}, nil},
		"one after the other":     {func(r *reported) { r.say(9*time.Second, 205, 225); r.say(9*time.Second, 205, 180) }, nil},
		"on its way":              {func(r *reported) { r.say(time.Minute, 0, 0); r.say(10*time.Second, 205, 0) }, nil},
		"given another meanwhile": {func(r *reported) { r.say(9*time.Second, 0, 190); r.say(9*time.Second, 205, 190) }, nil},
		"too hot":                 {func(r *reported) { r.say(time.Minute, 205, 280) }, &ForeignTarget{205, 280, 10 * time.Second, false, true, false, "the board's nozzle target is 280 °C, but beltwarden set 205: something else has changed it"}},
		"off by a limit of time":  {func(r *reported) { r.say(time.Minute, 205, 205); r.say(time.Minute, 205, 0) }, &ForeignTarget{205, 0, 10 * time.Second, false, false, false, "the board's nozzle was set to 205 °C and is off: something else switched it off, or a time limit of the board"}},
		"not switched off":        {func(r *reported) { r.say(time.Minute, 205, 205); r.say(time.Minute, 0, 205) }, &ForeignTarget{0, 205, 10 * time.Second, true, false, false, "beltwarden switched the board's nozzle off, but the board keeps its target of 205 °C"}},
		"warmed at the panel":     {func(r *reported) { r.say(time.Minute, 0, 0); r.say(time.Minute, 0, 190) }, &ForeignTarget{0, 190, 10 * time.Second, false, false, false, "the board's nozzle target is 190 °C, but beltwarden set 0: something else has changed it"}},
		"a new board":             {func(r *reported) { r.say(9*time.Second, 205, 225); r.Forget(); r.say(9*time.Second, 205, 225) }, nil},
	} {
		r := newReported()
		c.tell(r)
		switch {
		case c.want == nil && len(r.other) > 0:
			t.Errorf("%s: %+v", name, r.other[0])
		case c.want != nil && (len(r.other) == 0 || r.other[0] != *c.want):
			t.Errorf("%s: %+v, want %+v", name, r.other, *c.want)
		case c.want != nil && slices.ContainsFunc(r.other[1:], func(o ForeignTarget) bool { return !o.Again }):
			t.Errorf("%s: the same one is new each time: %+v", name, r.other)
		}
	}
}

// TestTargetBehindMoves: while lines are under way a target that was commanded up to ten minutes ago may still
// stand; at rest it does not.
func TestTargetBehindMoves(t *testing.T) {
	for _, under := range []bool{true, false} {
		r := newReported()
		r.under = under
		r.say(time.Minute, 210, 210)
		r.say(9*time.Minute, 205, 210)
		if late := len(r.other) > 0; late == under {
			t.Errorf("lines under way %t: the former target is somebody else's: %t", under, late)
		}
		if r.say(3*time.Minute, 205, 210); len(r.other) == 0 {
			t.Errorf("lines under way %t: the former target stands for ever", under)
		}
	}
}

// TestTargetsBehindMoves: so may one before the last.
func TestTargetsBehindMoves(t *testing.T) {
	r := newReported()
	r.under = true
	r.say(time.Minute, 210, 210)
	r.say(time.Minute, 205, 210)
	if r.say(time.Minute, 190, 210); len(r.other) > 0 {
		t.Errorf("%+v", r.other[0])
	}
}

// TestSwapped: a heater that does not warm while the other does, which is off, asks whether they are swapped, and so
// does the other.
func TestSwapped(t *testing.T) {
	g := NewGuard(NozzleLimits(260, OverC), BedLimits(100, OverC))
	g.Command(Nozzle, 205)
	for s := range 60 {
		at := time.Duration(s) * time.Second
		g.Observe(Nozzle, Reading{At: at, C: 22, TargetC: 205}, 0, &Model{})
		g.Observe(Bed, Reading{At: at, C: 22 + min(12, max(0, float64(s-5))/4)}, 0, &Model{})
	}
	for _, c := range []struct {
		kind  Kind
		other HeaterIndex
		want  string
	}{
		{Slow, Bed, "x; meanwhile the bed, which is not being heated, has gained 12 degrees: are the two heaters or sensors swapped?"},
		{Over, Nozzle, "x; meanwhile the nozzle, which is being heated, has not gained: are the two heaters or sensors swapped?"},
		{Slow, Nozzle, "x"},
		{Over, Bed, "x"},
		{Absurd, Bed, "x"},
	} {
		if f := g.Swapped([]Finding{{Kind: c.kind, Fault: true, Text: "x"}}, c.other); f[0].Text != c.want {
			t.Errorf("%v beside the %s: %q, want %q", c.kind, c.other, f[0].Text, c.want)
		}
		if f := g.Swapped([]Finding{{Kind: c.kind, Text: "x"}}, c.other); f[0].Text != "x" {
			t.Errorf("%v beside the %s, which is no fault: %q", c.kind, c.other, f[0].Text)
		}
	}
}

// TestTargetAnew: once something is done about another target it has ten seconds to go, and is new after that.
func TestTargetAnew(t *testing.T) {
	r := newReported()
	r.say(15*time.Second, 0, 190)
	r.ResetTarget(Nozzle)
	n := len(r.other)
	if r.say(10*time.Second, 0, 190); len(r.other) != n {
		t.Errorf("it is not waited for: %+v", r.other[n:])
	}
	if r.say(5*time.Second, 0, 190); len(r.other) == n || r.other[n].Again || r.other[n].For != 10*time.Second {
		t.Errorf("after that: %+v", r.other[n:])
	}
}

// TestOthers: what a job heats and what the board reports is switched off once each, and said not to be shown off.
func TestOthers(t *testing.T) {
	var o Others
	if len(o.Off()) > 0 || o.NotShownOff() != "" {
		t.Errorf("of nothing: %q %q", o.Off(), o.NotShownOff())
	}
	o.Heated([]string{"M141 S0", "M104 T2 S0"})
	o.Heated([]string{"M141 S0"})
	o.Reported(true, true)
	o.Reported(false, false)
	if want := []string{"M141 S0", "M104 T2 S0", "M104 T1 S0"}; !slices.Equal(o.Off(), want) {
		t.Errorf("%q, want %q", o.Off(), want)
	}
	if text := o.NotShownOff(); text != "; switched off and not monitored: M141 S0, M104 T2 S0, M104 T1 S0" {
		t.Errorf("%q", text)
	}
}
