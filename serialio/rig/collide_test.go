package rig

import (
	"testing"
	"testing/synctest"
)

// TestCollide: a head that passes low over a part which stands on the belt has run into it,
// and what is laid on another part is noticed. What it makes itself, and what it clears, is not.
func TestCollide(t *testing.T) {
	part := []string{"G92 E0", "G1 X20 Y0 Z0.2 F6000", "G1 X40 Y10 E1", "G1 Z5", "G1 X20 Y0 E2", "G1 Z30"}
	for name, c := range map[string]struct {
		lines              []string
		collisions, laidOn uint64
	}{
		"advanced by a pitch, then the next":   {[]string{"G1 Y30", "G92 Y0", "G1 Z0.2", "G1 X40 Y10 E3", "G1 Z30"}, 0, 0},
		"high over it":                         {[]string{"G1 X0 Y5", "G1 X60"}, 0, 0},
		"low through it":                       {[]string{"G1 X0 Y5", "G1 Z1", "G1 X60"}, 1, 0},
		"low through it, twice, is one part":   {[]string{"G1 X0 Y5", "G1 Z1", "G1 X60", "G1 X0"}, 1, 0},
		"down onto it":                         {[]string{"G1 X30 Y5", "G1 Z2"}, 1, 0},
		"the belt carries it against the head": {[]string{"G1 X30 Y-5", "G1 Z1", "G1 Y5"}, 1, 0},
		"beside it":                            {[]string{"G1 X60 Y5", "G1 Z1", "G1 Y12"}, 0, 0},
		"another one laid on it":               {[]string{"G1 X30 Y5", "G1 Z5.2", "G1 X35 E3"}, 0, 1},
		"at the side where a part begins, X0":  {[]string{"G1 Y40", "G92 Y0", "G1 X0 Z0.2", "G1 X40 Y10 E3", "G1 Z30", "G1 X-5 Y5", "G1 Z0.2", "G1 X22"}, 1, 0},
		"where the arc of a part bulges":       {[]string{"G1 Y40", "G92 Y0", "G1 X60 Z0.2", "G3 X60 Y10 J5 E3", "G1 Z30", "G1 X70 Y5", "G1 Z0.2", "G1 X63"}, 1, 0},
		"between its strokes":                  {[]string{"G1 X22 Y9", "G1 Z1", "G1 X28"}, 0, 0},
		"laid beside it":                       {[]string{"G1 X60 Y2", "G1 Z0.2", "G1 Y8 E3"}, 0, 0},
		"over its own layer":                   {[]string{"G1 Y40", "G92 Y0", "G1 X0 Z0.4", "G1 X10 E3", "G1 Y8", "G1 X0 E4", "G1 Y0", "G1 Z0.2", "G1 X10"}, 0, 0},
		"low through what it makes":            {[]string{"G1 Y40", "G92 Y0", "G1 X0 Z0.4", "G1 X10 E3", "G1 Z4", "G1 X0 E4", "G1 X5 Y-3", "G1 Z3", "G1 Y3", "G1 Y-3"}, 1, 0},
		"what it makes in two pieces":          {[]string{"G1 Y40", "G92 Y0", "G1 X0 Z0.2", "G1 X10 E3", "G1 Y8", "G1 X0 E4", "G1 Y20", "G1 X10 E5", "G1 Y0", "G1 X0", "G1 Y20"}, 0, 0},
		"under what fell from the air":         {[]string{"G1 Y40", "G92 Y0", "G1 X0 Z15", "G1 X10 E3", "G1 Z0.2 Y-3", "G1 X5 Y3"}, 0, 0},
		"drawn up in the air":                  {[]string{"G1 Y40", "G92 Y0", "G1 X5 Z15", "G1 Z9 E9", "G1 Z0.2", "G1 X0", "G1 X10"}, 0, 0},
		"moved away by hand":                   {nil, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r, h := open(t, func(s *Settings) { s.Belt.Axis = 'Y' })
				h.lines()
				h.do(append(part, "M400")...)
				if c.lines == nil {
					r.ClearBelt()
					c.lines = []string{"G1 X0 Y5", "G1 Z1", "G1 X60"}
				}
				h.do(append(c.lines, "M400")...)
				if f := r.Figures(); f.Collisions != c.collisions || f.LaidOn != c.laidOn || len(f.Damage) != int(c.collisions) {
					t.Errorf("%d collisions and %d laid on others, want %d and %d; %v", f.Collisions, f.LaidOn, c.collisions, c.laidOn, f.Damage)
				}
			})
		})
	}
}
