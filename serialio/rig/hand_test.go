package rig

import (
	"testing"
	"testing/synctest"
)

// What is taken off the belt lies in the bin, and plastic laid at the same place
// afterwards is another part.
func TestClearBelt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, h := open(t, func(s *Settings) { s.Speed = 0; s.Belt.Axis = 'Y' })
		h.lines()
		h.do("G1 Y10 X5 E3 F600", "M400")
		if n := r.ClearBelt(); n != 1 {
			t.Errorf("%d parts taken off, not 1", n)
		}
		if n := r.ClearBelt(); n != 0 {
			t.Errorf("%d parts taken off a bare belt", n)
		}
		h.do("G1 Y12 X0 E4", "G1 Y14 E5", "M400")
		p := r.Parts()
		if len(p) != 2 || !p[0].Dropped || p[1].Dropped {
			t.Fatalf("parts %+v", p)
		}
		near(t, "first part", p[0].FilamentMM, 3, 1e-9)
		near(t, "second part", p[1].FilamentMM, 2, 1e-9)
		if n := r.EmptyBin(); n != 1 {
			t.Errorf("%d parts in the bin, not 1", n)
		}
	})
}
