package belt

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// By hand: a loop of 200 mm has ten stretches. A part of 30 mm that begins at 190 lies on
// the last stretch and, over the joint, on the first two halves.
func TestWear(t *testing.T) {
	w := NewWear(200)
	w.Lay(190, Span{0, 30})
	if want := []int{1, 0, 0, 0, 0, 0, 0, 0, 0, 1}; !slices.Equal(w.Parts, want) {
		t.Errorf("%v, want %v", w.Parts, want)
	}
	w.Lay(45, Span{-5, 15}) // 40 to 60
	if w.Parts[2] != 1 || w.Parts[3] != 0 {
		t.Errorf("%v", w.Parts)
	}
	if low, high := w.Range(); low != 0 || high != 1 {
		t.Errorf("range %d to %d", low, high)
	}
	if NewWear(0) != nil {
		t.Error("a belt without length wears")
	}
}

// A pitch that divides the loop lays every part on the same places for ever. With the
// shift each lot takes the places between, so that the belt wears evenly.
func TestShiftSpreadsTheParts(t *testing.T) {
	const loop, pitch = 400.0, 100.0
	s := Span{0, 40}
	run := func(spread bool) (fewest, most int) {
		w, at := NewWear(loop), 0.0
		for range 12 { // lots of eight
			if spread {
				at += w.ShiftMM(at, s, pitch, 8)
			}
			for range 8 {
				w.Lay(at, s)
				at += pitch
			}
		}
		return w.Range()
	}
	if low, high := run(false); low != 0 || high != 24 {
		t.Errorf("without: %d to %d", low, high)
	}
	if low, high := run(true); low < 7 || high > 15 {
		t.Errorf("with: %d to %d", low, high)
	}
}

func TestWearProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := NewWear(rapid.Float64Range(50, 3000).Draw(t, "loop"))
		s := Span{FromMM: rapid.Float64Range(-100, 50).Draw(t, "from")}
		s.ToMM = s.FromMM + rapid.Float64Range(0.1, 200).Draw(t, "length")
		pitch := s.LengthMM() + rapid.Float64Range(0, 50).Draw(t, "gap")
		for range rapid.IntRange(0, 50).Draw(t, "parts") {
			before := slices.Clone(w.Parts)
			w.Lay(rapid.Float64Range(-5000, 5000).Draw(t, "phase"), s)
			touched := 0
			for k := range w.Parts {
				if d := w.Parts[k] - before[k]; d < 0 || d > 1 {
					t.Fatalf("a part counts %d times on one stretch", d)
				} else {
					touched += d
				}
			}
			if touched == 0 || touched > len(w.Parts) {
				t.Fatalf("a part lies on %d of %d stretches", touched, len(w.Parts))
			}
		}
		shift := w.ShiftMM(rapid.Float64Range(-5000, 5000).Draw(t, "at"), s, pitch, rapid.IntRange(1, 100).Draw(t, "lot"))
		if shift < 0 || shift >= pitch {
			t.Fatalf("shift %g of a pitch of %g", shift, pitch)
		}
	})
}
