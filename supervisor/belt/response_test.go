package belt

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// agree reports whether two numbers are alike to a share of the larger.
func agree(a, b, share float64) bool {
	return math.Abs(a-b) <= share*max(math.Abs(a), math.Abs(b))+1e-15
}

// TestRespondByHand: turns 1 and -2 that changed the rate by 0.5 and -0.8 give, through
// zero, (1*0.5 + 2*0.8)/(1 + 4) = 0.42 mm/m a turn; residuals 0.08 and 0.04, so 0.008 with
// one degree of freedom. Pooled with 0.1 of 2 degrees: (0.008 + 2*0.01)/3, and Student's t
// of 3 degrees at 97.5 % is 3.1824 (NIST/SEMATECH e-Handbook 1.3.6.7.2: 3.182).
func TestRespondByHand(t *testing.T) {
	r := Respond([]Turn{{1, 0.5}, {0, 9}, {-2, -0.8}}, 0.1, 2)
	se := math.Sqrt(0.028 / 3 / 5)
	if r.N != 2 || !agree(r.PerTurn, 0.42, 1e-12) || !agree(r.PerTurnSE, se, 1e-12) || !agree(r.PerTurn95[0], 0.42-3.182446*se, 1e-5) || !r.Known {
		t.Fatalf("%+v, want 0.42 ± %g", r, se)
	}
	a, ok := r.Undo(0.84)
	if !ok || !agree(a.Turns, -2, 1e-12) || a.Beyond || !agree(a.Turns95[0], -0.84/r.PerTurn95[0], 1e-12) || !agree(a.Turns95[1], -0.84/r.PerTurn95[1], 1e-12) {
		t.Errorf("against 0.84 mm/m: %+v", a)
	}
	if a, _ := r.Undo(0.85); !a.Beyond {
		t.Error("more than was ever turned is not marked")
	}
}

// TestRespondSaysNothingInDoubt: one adjustment, or two that contradict each other.
func TestRespondSaysNothingInDoubt(t *testing.T) {
	for name, list := range map[string][]Turn{
		"none": nil, "one": {{1, 5}}, "contradiction": {{1, 0.5}, {1, -0.4}}, "within the error of reading": {{0.5, 0.05}, {0.5, 0.05}},
	} {
		r := Respond(list, 0.1, 2)
		if _, ok := r.Undo(1); ok || r.Known {
			t.Errorf("%s: %+v", name, r)
		}
	}
}

// TestRespondProperties: what the operator calls forward does not matter, nor does the
// order; what agrees with one slope is found as that slope.
func TestRespondProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		turn := rapid.Custom(func(t *rapid.T) Turn {
			n := rapid.IntRange(1, 40).Draw(t, "eighths")
			if rapid.Bool().Draw(t, "back") {
				n = -n
			}
			return Turn{float64(n) / 8, rapid.Float64Range(-3, 3).Draw(t, "change")}
		})
		list := rapid.SliceOfN(turn, 2, 12).Draw(t, "turns")
		r := Respond(list, 0.05, 2)
		var mirrored, exact []Turn
		slope := rapid.Float64Range(-2, 2).Draw(t, "slope")
		for i := range list {
			a := list[len(list)-1-i]
			mirrored = append(mirrored, Turn{-a.Turns, a.RateChangeMMPerM})
			exact = append(exact, Turn{a.Turns, slope * a.Turns})
		}
		m := Respond(mirrored, 0.05, 2)
		if math.Abs(r.PerTurn+m.PerTurn) > 1e-9 || !agree(r.PerTurnSE, m.PerTurnSE, 1e-9) || r.Known != m.Known {
			t.Fatalf("%+v, mirrored %+v", r, m)
		}
		if e := Respond(exact, 0.05, 2); math.Abs(e.PerTurn-slope) > 1e-9 || e.PerTurnSE > 0.05/math.Abs(list[0].Turns) {
			t.Fatalf("%+v of a slope of %g", e, slope)
		}
		a, ok := r.Undo(0.7)
		if ok != r.Known {
			t.Fatalf("advice %v of %+v", ok, r)
		}
		if ok && (!agree(a.Turns*r.PerTurn, -0.7, 1e-9) || a.Turns < a.Turns95[0] || a.Turns > a.Turns95[1]) {
			t.Fatalf("%+v of %+v", a, r)
		}
	})
}
