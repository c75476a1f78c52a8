package rig

import (
	"fmt"
	"math"
	"testing"
	"testing/synctest"
	"time"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.12g, want %.12g", what, got, want)
	}
}

// Trapezoid rows: v_peak from "Velocity time profiles in motion: triangular and
// trapezoidal" (the 100 mm, 2 and 4 row), the others constant-acceleration kinematics,
// recomputed.
func TestProfile(t *testing.T) {
	rows := []struct{ d, a, b, cruise, v0, v1, peak, up, level, down, total float64 }{
		{100, 1000, 1000, 100, 0, 0, 100, 0.1, 0.9, 0.1, 1.1},
		{10, 1000, 1000, 100, 0, 0, 100, 0.1, 0, 0.1, 0.2},
		{5, 1000, 1000, 100, 0, 0, 70.710678118655, 0.070710678119, 0, 0.070710678119, 0.141421356237},
		{1, 1000, 1000, 100, 0, 0, 31.622776601684, 0.031622776602, 0, 0.031622776602, 0.063245553203},
		{100, 1000, 1000, 50, 20, 30, 50, 0.03, 1.963, 0.02, 2.013},
		{10, 1000, 1000, 100, 50, 50, 100, 0.05, 0.025, 0.05, 0.125},
		{1, 500, 500, 100, 20, 10, 27.386127875258, 0.014772255751, 0, 0.034772255751, 0.049544511501},
		{10, 1000, 1000, 100, 100, 100, 100, 0, 0.1, 0, 0.1},
		{100, 2, 4, 200, 0, 0, 16.329931618555, 8.164965809277, 0, 4.082482904639, 12.247448713916},
	}
	for _, r := range rows {
		p := newProfile(r.d, r.a, r.b, r.v0, r.v1, r.cruise)
		name := fmt.Sprintf("D %v a %v v0 %v", r.d, r.a, r.v0)
		near(t, name+" peak", p.peak, r.peak, 1e-9)
		near(t, name+" up", p.up, r.up, 1e-9)
		near(t, name+" level", p.level, r.level, 1e-9)
		near(t, name+" down", p.down, r.down, 1e-9)
		near(t, name+" total", p.seconds(), r.total, 1e-9)
		near(t, name+" end", p.fraction(p.seconds()), 1, 0)
		// The fraction is the integral of the speed: checked by its differences.
		const h = 1e-6
		for _, at := range []float64{0.1, 0.3, 0.5, 0.7, 0.9} {
			x := at * p.seconds()
			speed := (p.fraction(x+h) - p.fraction(x-h)) / (2 * h) * r.d
			want := min(r.v0+r.a*x, p.peak, r.v1+r.b*(p.seconds()-x))
			near(t, fmt.Sprintf("%s speed at %v", name, at), speed, want, 1e-3*p.peak)
		}
	}
	// v0 100 to a standstill at 1000 needs 5 mm: in 4 mm it cannot stop.
	if p := newProfile(4, 1000, 1000, 100, 0, 100); p.exit <= 0 {
		t.Errorf("stopped in 4 mm: %+v", p)
	}
}

func TestMoveTime(t *testing.T) {
	for _, row := range []struct {
		mm   float64
		feed int
		want float64
	}{{100, 6000, 1.1}, {10, 6000, 0.2}, {5, 6000, 0.141421356237}, {1, 6000, 0.063245553203}} {
		synctest.Test(t, func(t *testing.T) {
			_, h := open(t, nil)
			h.lines()
			h.do(fmt.Sprintf("G1 X%v F%d", row.mm, row.feed))
			begin := time.Now()
			h.do("M400")
			near(t, fmt.Sprintf("%v mm", row.mm), time.Since(begin).Seconds(), row.want, 1e-6)
		})
	}
}

// A straight line in a hundred pieces takes hardly longer than in one; with a stop
// at each joint it takes 100 x 0.0632 s.
func TestLookahead(t *testing.T) {
	for _, row := range []struct {
		deviation, low, high float64
	}{{0.02, 1.1, 1.2}, {0, 6.32, 6.34}} {
		synctest.Test(t, func(t *testing.T) {
			_, h := open(t, func(s *Settings) { s.Machine.JunctionDeviationMM = row.deviation })
			h.lines()
			begin := time.Now()
			for i := range 100 {
				h.do(fmt.Sprintf("G1 X%d F6000", i+1))
			}
			h.do("M400")
			if s := time.Since(begin).Seconds(); s < row.low || s > row.high {
				t.Errorf("deviation %v: %v s, want %v to %v", row.deviation, s, row.low, row.high)
			}
		})
	}
}

// A right-angled corner on a circle with deviation d: v^2 = a d sin45/(1-sin45).
func TestJunction(t *testing.T) {
	a := block{nominal: 100, accel: 1000, dirOut: [3]float64{1, 0, 0}}
	b := block{nominal: 100, accel: 1000, dirIn: [3]float64{0, 1, 0}}
	near(t, "corner", junction(&a, &b, 0.02), math.Sqrt(1000*0.02*math.Sqrt2/2/(1-math.Sqrt2/2)), 1e-9)
	b.dirIn = [3]float64{1, 0, 0}
	near(t, "straight on", junction(&a, &b, 0.02), 100, 0)
	b.dirIn = [3]float64{-1, 0, 0}
	near(t, "back", junction(&a, &b, 0.02), 0, 1e-9)
}

// Arc rows: geometry of NISTIR 6556 section 3.5.3 examples, lengths in closed form.
func TestArcs(t *testing.T) {
	type pair = [2]float64
	rows := []struct {
		name           string
		from, to       pair
		off            pair
		r              float64
		cw             bool
		length, x0, x1 float64
		y0, y1         float64
	}{
		{"A", pair{7, 7}, pair{10, 16}, pair{3, 4}, 0, true, 12.490457723983, 5, 10, 7, 16},
		{"B", pair{}, pair{}, pair{10, 0}, 0, true, 62.831853071796, 0, 20, -10, 10},
		{"C", pair{10, 0}, pair{0, 10}, pair{-10, 0}, 0, false, 15.707963267949, 0, 10, 0, 10},
		{"D", pair{10, 0}, pair{0, 10}, pair{-10, 0}, 0, true, 47.123889803847, -10, 10, -10, 10},
		{"E", pair{10, 0}, pair{0, 10}, pair{}, 10, false, 15.707963267949, 0, 10, 0, 10},
		{"F", pair{10, 0}, pair{0, 10}, pair{}, -10, false, 47.123889803847, 0, 20, 0, 20},
		{"G", pair{}, pair{10, 15}, pair{}, 20, true, 18.701700827872, 0, 10, 0, 15},
		{"H", pair{}, pair{20, 0}, pair{}, 10, true, 31.415926535898, 0, 20, 0, 10},
		{"I", pair{}, pair{10, 0}, pair{}, 10, true, 10.471975511966, 0, 10, 0, 1.339745962},
		{"J", pair{}, pair{10, 10}, pair{0, 10}, 0, false, 15.707963267949, 0, 10, 0, 10},
	}
	for _, r := range rows {
		from, to := [4]float64{r.from[0], r.from[1]}, [4]float64{r.to[0], r.to[1]}
		a, ok := newArc(17, from, to, r.off, r.r, r.r != 0, r.cw)
		if !ok {
			t.Errorf("%s: no arc", r.name)
			continue
		}
		near(t, r.name+" length", a.radius*math.Abs(a.sweep), r.length, 1e-8)
		for axis, want := range []pair{{r.x0, r.x1}, {r.y0, r.y1}} {
			net, travel, low, high := a.swept(axis, 0, 1)
			near(t, r.name+" end", net, to[axis]-from[axis], 1e-8)
			near(t, r.name+" low", from[axis]+low, want[0], 1e-8)
			near(t, r.name+" high", from[axis]+high, want[1], 1e-8)
			// Travel against a fine polygon, and in two pieces.
			polygon, last := 0.0, 0.0
			for i := 1; i <= 20000; i++ {
				n, _, _, _ := a.swept(axis, 0, float64(i)/20000)
				polygon += math.Abs(n - last)
				last = n
			}
			near(t, r.name+" travel", travel, polygon, 1e-5)
			_, t1, _, _ := a.swept(axis, 0, 0.37)
			_, t2, _, _ := a.swept(axis, 0.37, 1)
			near(t, r.name+" travel in pieces", t1+t2, travel, 1e-9)
		}
	}
}

func TestModal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, h := open(t, nil)
		h.lines()
		for _, row := range []struct{ send, want string }{
			{"G1 X10 Y20 Z3 E4 F6000", "X:10.00 Y:20.00 Z:3.00 E:4.00"},
			{"G92 X1 E0", "X:1.00 Y:20.00 Z:3.00 E:0.00"},
			{"G91", "X:1.00 Y:20.00 Z:3.00 E:0.00"},
			{"G1 X-2 Z1 E1", "X:-1.00 Y:20.00 Z:4.00 E:1.00"},
			{"M82", "X:-1.00 Y:20.00 Z:4.00 E:1.00"},
			{"G1 X1 E5", "X:0.00 Y:20.00 Z:4.00 E:5.00"},
			{"G90", "X:0.00 Y:20.00 Z:4.00 E:5.00"},
			{"M83", "X:0.00 Y:20.00 Z:4.00 E:5.00"},
			{"G1 Y0 E1", "X:0.00 Y:0.00 Z:4.00 E:6.00"},
			{"G20", "X:0.00 Y:0.00 Z:4.00 E:6.00"},
			{"G0 X1", "X:25.40 Y:0.00 Z:4.00 E:6.00"},
			{"G21", "X:25.40 Y:0.00 Z:4.00 E:6.00"},
			{"G92", "X:0.00 Y:0.00 Z:0.00 E:0.00"},
			{"G3 X10 Y10 I0 J10", "X:10.00 Y:10.00 Z:0.00 E:0.00"},
			{"G28 X", "X:0.00 Y:10.00 Z:0.00 E:0.00"},
		} {
			h.do(row.send)
			if got := h.do("M114"); len(got) != 1 || got[0][:len(row.want)] != row.want {
				t.Errorf("after %s: %q, want %q", row.send, got, row.want)
			}
		}
	})
}

// Feed and flow factors act: 100 mm at half of 100 mm/s take 100/50 + 50/1000 s.
func TestFactors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, nil)
		h.lines()
		h.do("M220 S50", "M221 S90", "G1 X100 E10 F6000")
		begin := time.Now()
		h.do("M400")
		near(t, "time", time.Since(begin).Seconds(), 2.05, 1e-6)
		near(t, "filament", r.Figures().FilamentMM, 9, 1e-9)
		begin = time.Now()
		h.do("G4 P1500")
		near(t, "dwell", time.Since(begin).Seconds(), 1.5, 0.01)
	})
}
