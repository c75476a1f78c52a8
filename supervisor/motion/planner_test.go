package motion

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func within(t interface {
	Helper()
	Errorf(string, ...any)
}, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9*math.Max(1, math.Abs(want)) {
		t.Errorf("%s: %.12f, want %.12f", what, got, want)
	}
}

// Rows of trapezoid and triangle: accel time v/a, accel distance a·t²/2, and
// v_peak = sqrt(2abD/(a+b)) from rest, as an actuator maker's page on trajectory
// planning and a page on triangular profiles give them (the last row is its example);
// T = D/v + v/a, or 2·sqrt(D/a), in Biagiotti and Melchiorri, Trajectory Planning for
// Automatic Machines and Robots, section 3.2 (from memory). All recomputed.
func TestTrapezoid(t *testing.T) {
	for _, r := range []struct{ d, a, b, cruise, v0, v1, peak, up, level, down, total float64 }{
		{100, 1000, 1000, 100, 0, 0, 100, 0.1, 0.9, 0.1, 1.1},
		{10, 1000, 1000, 100, 0, 0, 100, 0.1, 0, 0.1, 0.2},
		{5, 1000, 1000, 100, 0, 0, 70.710678118655, 0.070710678119, 0, 0.070710678119, 0.141421356237},
		{1, 1000, 1000, 100, 0, 0, 31.622776601684, 0.031622776602, 0, 0.031622776602, 0.063245553203},
		{100, 1000, 1000, 50, 20, 30, 50, 0.03, 1.963, 0.02, 2.013},
		{10, 1000, 1000, 100, 50, 50, 100, 0.05, 0.025, 0.05, 0.125},
		{1, 500, 500, 100, 20, 10, 27.386127875258, 0.014772255751, 0, 0.034772255751, 0.049544511501},
		{10, 1000, 1000, 100, 100, 100, 100, 0, 0.1, 0, 0.1},
		{100, 2, 4, 200, 0, 0, 16.329931618555, 8.164965809277, 0, 4.082482904639, 12.247448713916},
	} {
		p := Trapezoid(r.d, r.a, r.b, r.cruise, r.v0, r.v1)
		within(t, "peak", p.PeakMMPerS, r.peak)
		within(t, "up", p.UpS, r.up)
		within(t, "cruise", p.CruiseS, r.level)
		within(t, "down", p.DownS, r.down)
		within(t, "total", p.TotalS(), r.total)
		if r.a == r.b {
			q := planned{lengthMM: r.d, accel: r.a, cruise: r.cruise}
			within(t, "total in the planner", q.timeS(r.v0, r.v1), r.total)
		}
	}
	// From 100 mm/s to rest at 1000 mm/s² takes 5 mm; on 3 mm some speed is left.
	if p := Trapezoid(3, 1000, 1000, 100, 100, 0); math.Abs(p.ExitMMPerS-math.Sqrt(100*100-2*1000*3)) > 1e-9 {
		t.Errorf("exit %g", p.ExitMMPerS)
	}
}

func limits(l Limits) Limits {
	l, err := l.Complete()
	if err != nil {
		panic(err)
	}
	return l
}

func straight(x, y, z, e, speed float64, k Kind) Move {
	m := Move{DeltaMM: [Axes]float64{x, y, z, e}, PathMM: math.Sqrt(x*x + y*y + z*z), SpeedMMPerS: speed, Kind: k}
	if m.PathMM == 0 {
		m.PathMM = math.Abs(e)
	}
	return m
}

func total(l Limits, moves []Move) float64 {
	p := NewPlanner(l)
	for i := range moves {
		p.Push(&moves[i])
	}
	return p.TotalS()
}

// Corners in closed form. Two legs of 50 mm at a right angle, 100 mm/s, 1000 mm/s²: by
// deviation d the corner is taken at v² = a·d·s/(1−s) with s = sin 45°; by speed
// steps of 8 mm/s each axis may step by 8.
func TestCorners(t *testing.T) {
	leg := []Move{straight(50, 0, 0, 0, 100, Travel), straight(0, 50, 0, 0, 100, Travel)}
	s := math.Sqrt(0.5)
	for _, c := range []struct {
		limits Limits
		corner float64
	}{
		{Limits{JunctionDeviationMM: 0.02}, math.Sqrt(1000 * 0.02 * s / (1 - s))},
		{Limits{CornerMMPerS: [Axes]float64{8, 8, 1, 5}}, 8},
	} {
		want := Trapezoid(50, 1000, 1000, 100, 0, c.corner).TotalS() + Trapezoid(50, 1000, 1000, 100, c.corner, 0).TotalS()
		within(t, "right angle", total(limits(c.limits), leg), want)
	}
	back := []Move{straight(50, 0, 0, 0, 100, Travel), straight(-50, 0, 0, 0, 100, Travel)}
	within(t, "there and back", total(limits(Limits{}), back), 2*Trapezoid(50, 1000, 1000, 100, 0, 0).TotalS())
	retracted := []Move{straight(50, 0, 0, 0, 100, Travel), straight(0, 0, 0, -2, 40, Retract), straight(50, 0, 0, 0, 100, Travel)}
	within(t, "filament alone between", total(limits(Limits{}), retracted),
		2*Trapezoid(50, 1000, 1000, 100, 0, 0).TotalS()+Trapezoid(2, 1500, 1500, 40, 0, 0).TotalS())
	arc := Move{DeltaMM: [Axes]float64{10, 10}, PathMM: 5 * math.Pi, SpeedMMPerS: 500, Arc: &Arc{RadiusMM: 10, Entry: [3]float64{1, 0, 0}, Exit: [3]float64{0, 1, 0}, Normal: 2}}
	v := math.Sqrt(1000 * 10) // the bend takes v²/r
	within(t, "a quarter circle", total(limits(Limits{}), []Move{arc}), Trapezoid(5*math.Pi, 1000, 1000, v, 0, 0).TotalS())
}

// A half circle begins and ends along Y alone, and yet runs X at the whole speed.
func TestHalfCircleKeepsBothAxes(t *testing.T) {
	l := limits(Limits{SpeedMMPerS: [Axes]float64{20, 200, 20, 60}, AccelMMPerS2: [Axes]float64{300, 1500, 200, 5000}})
	m := Move{DeltaMM: [Axes]float64{-20}, PathMM: 10 * math.Pi, SpeedMMPerS: 100, Arc: &Arc{RadiusMM: 10, Entry: [3]float64{0, 1, 0}, Exit: [3]float64{0, -1, 0}, Normal: 2}}
	within(t, "half circle", total(l, []Move{m}), Trapezoid(10*math.Pi, 300, 300, 20, 0, 0).TotalS())
}

// Each axis keeps its own limits: on a diagonal the slower rules.
func TestAxisLimits(t *testing.T) {
	l := limits(Limits{SpeedMMPerS: [Axes]float64{100, 20, 5, 50}, AccelMMPerS2: [Axes]float64{1000, 300, 50, 1000}})
	d := math.Sqrt2
	within(t, "diagonal", total(l, []Move{straight(30, 30, 0, 0, 500, Travel)}), Trapezoid(30*d, 300*d, 300*d, 20*d, 0, 0).TotalS())
	within(t, "no feed", total(l, []Move{straight(0, 0, 10, 0, 0, Travel)}), Trapezoid(10, 50, 50, 5, 0, 0).TotalS())
}

// drawMoves makes moves as a slicer does, wildly.
func drawMoves(t *rapid.T, most int) []Move {
	n := rapid.IntRange(1, most).Draw(t, "n")
	list := make([]Move, n)
	for i := range list {
		c := func(label string, most float64) float64 { // to a thousandth, as slicers write them
			n := int(1000 * most)
			return float64(rapid.IntRange(-n, n).Draw(t, label)) / 1000
		}
		switch rapid.IntRange(0, 5).Draw(t, "kind") {
		case 0:
			list[i] = straight(0, 0, 0, c("e", 5)+0.001, rapid.Float64Range(1, 60).Draw(t, "feed"), Retract)
		case 1:
			list[i] = straight(c("x", 100), c("y", 100), 0, 0, rapid.Float64Range(1, 400).Draw(t, "feed"), Travel)
		default:
			list[i] = straight(c("x", 5), c("y", 5), c("z", 0.3), 0.1, rapid.Float64Range(1, 200).Draw(t, "feed"), Print)
		}
	}
	return list
}

// byHand plans all moves at once: forward and back until nothing changes. It shares
// the corner and clip with the planner, and nothing of its ring.
func byHand(l Limits, moves []Move) (seconds float64, entry []float64, plan []planned) {
	p := NewPlanner(l)
	for i := range moves {
		if moves[i].PathMM == 0 {
			continue
		}
		p.Push(&moves[i])
		plan = append(plan, p.ring[(p.first+p.n-1)%MaxLookAhead])
		if p.n == MaxLookAhead { // only the newest is looked at
			p.leave()
		}
	}
	entry = make([]float64, len(plan)+1)
	for i := range plan {
		entry[i] = math.Sqrt(plan[i].corner2)
	}
	for changed := true; changed; {
		changed = false
		lower := func(i int, v float64) {
			if v < entry[i]-1e-12 {
				entry[i], changed = v, true
			}
		}
		for i := range plan {
			d := 2 * plan[i].accel * plan[i].lengthMM
			lower(i+1, math.Sqrt(entry[i]*entry[i]+d))
			lower(i, math.Sqrt(entry[i+1]*entry[i+1]+d))
		}
	}
	for i, q := range plan {
		seconds += Trapezoid(q.lengthMM, q.accel, q.accel, q.cruise, entry[i], entry[i+1]).TotalS()
	}
	return seconds, entry, plan
}

func TestPlannerProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := Limits{LookAhead: MaxLookAhead}
		if rapid.Bool().Draw(t, "steps") {
			l.CornerMMPerS = [Axes]float64{8, 8, 0.4, 5}
		}
		l = limits(l)
		moves := drawMoves(t, MaxLookAhead)
		whole := total(l, moves)
		want, _, plan := byHand(l, moves)
		if math.Abs(whole-want) > 1e-9*(1+want) {
			t.Fatalf("%.12f s, by hand %.12f s", whole, want)
		}
		atSpeed := 0.0
		for _, q := range plan {
			atSpeed += q.lengthMM / q.cruise
		}
		if whole < atSpeed*(1-1e-12) {
			t.Fatalf("%g s, at full speed alone %g s", whole, atSpeed)
		}
		before := 0.0
		for _, n := range []int{32, 16, 8, 4, 2, 1} {
			l.LookAhead = n
			now := total(l, moves)
			if now < before-1e-9 {
				t.Fatalf("%g s with %d moves of look-ahead, %g s with more", now, n, before)
			}
			before = now
		}
		p := NewPlanner(l)
		sum := 0.0
		for i := range moves { // with a stop after each the times are those of single moves
			p.Push(&moves[i])
			p.Stop()
			sum += total(l, moves[i:i+1])
		}
		if math.Abs(p.TotalS()-sum) > 1e-9*(1+sum) {
			t.Fatalf("with stops %g s, singly %g s", p.TotalS(), sum)
		}
	})
}

// A straight line takes as long in pieces as in one.
func TestPiecesOfALine(t *testing.T) {
	l := limits(Limits{})
	one := total(l, []Move{straight(30, 40, 0, 0, 90, Travel)})
	var pieces []Move
	for range 10 {
		pieces = append(pieces, straight(3, 4, 0, 0, 90, Travel))
	}
	if got := total(l, pieces); math.Abs(got-one) > 1e-9 {
		t.Errorf("%g s in ten pieces, %g s in one", got, one)
	}
}

func TestWaits(t *testing.T) {
	p := NewPlanner(limits(Limits{}))
	m := straight(50, 0, 0, 0, 100, Travel)
	p.Push(&m)
	p.Wait(2)
	p.Push(&m)
	within(t, "with a wait", p.TotalS(), 2+2*Trapezoid(50, 1000, 1000, 100, 0, 0).TotalS())
	within(t, "asked twice", p.TotalS(), p.TotalS())
}

func TestLimitsRefused(t *testing.T) {
	for _, l := range []Limits{{LookAhead: -1}, {LookAhead: 33}, {PrintAccelMMPerS2: -1}, {JunctionDeviationMM: math.NaN()},
		{SpeedMMPerS: [Axes]float64{0, -5}}, {CornerMMPerS: [Axes]float64{math.Inf(1)}}} {
		if _, err := l.Complete(); err == nil {
			t.Errorf("%+v was taken", l)
		}
	}
}

func BenchmarkPlanner(b *testing.B) {
	moves := make([]Move, 4096)
	for i := range moves { // a circle of short pieces with a corner now and then
		a := float64(i) / 20
		moves[i] = straight(math.Cos(a)*0.8, math.Sin(a)*0.8, 0, 0.03, 60, Print)
		if i%37 == 0 {
			moves[i] = straight(20*math.Sin(a), 10, 0, 0, 150, Travel)
		}
	}
	p := NewPlanner(limits(Limits{}))
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		p.Push(&moves[i&4095])
		i++
	}
}
