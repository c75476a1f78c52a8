package belt

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Against the plainest way: go round in tenths and look at every place of the part.
func TestExtraAdvanceClearsTheSeam(t *testing.T) {
	covered := func(l Loop, at float64, s Span) bool { // in tenths, so that all is whole
		if s.ToMM-s.FromMM > l.LengthMM+1e-9 {
			return true
		}
		for x := math.Round(10 * s.FromMM); x < math.Round(10*s.ToMM); x++ {
			p := math.Mod(x+math.Round(10*at)+1e6*10*l.LengthMM, 10*l.LengthMM)
			if p < math.Round(10*(l.SeamMM+l.MarginMM)) || p >= math.Round(10*(l.LengthMM-l.MarginMM)) {
				return true
			}
		}
		return false
	}
	rapid.Check(t, func(t *rapid.T) {
		tenths := func(name string, lo, hi int) float64 { return float64(rapid.IntRange(lo, hi).Draw(t, name)) / 10 }
		l := Loop{tenths("loop", 50, 400), tenths("seam", 0, 60), tenths("margin", 0, 20)}
		from := tenths("from", -200, 200)
		s := Span{from, from + tenths("length", 1, 400)}
		phase := tenths("phase", -900, 900)
		got, ok := l.ExtraMM(phase, s)
		want, found := 0.0, false
		for k := 0; float64(k) < 10*l.LengthMM && !found; k++ {
			want = float64(k) / 10
			found = !covered(l, phase+want, s)
		}
		if ok != found || ok && math.Abs(got-want) > 1e-6 || ok && got > l.LongestExtraMM(s)+1e-6 {
			t.Fatalf("%+v %+v at %g: %g %v, want %g %v", l, s, phase, got, ok, want, found)
		}
	})
}

// 100 mm of loop with a seam of 10: parts of 30 mm begin at 10, 45 and not at 80,
// where the third would end at 110; it waits for the seam, 30 mm more.
func TestLotSkipsTheSeam(t *testing.T) {
	l, s := Loop{LengthMM: 100, SeamMM: 10}, Span{0, 30}
	if n := l.PartsPerLoop(s, 35); n != 2 {
		t.Errorf("%d parts a loop", n)
	}
	extras, advance, ok := l.Lay(10, s, 35, 5)
	if !ok || len(extras) != 2 || extras[0] != (Extra{3, 30}) || extras[1] != (Extra{5, 30}) || advance != 5*35+60 {
		t.Errorf("%v, %g mm, %v", extras, advance, ok)
	}
	if _, _, ok := l.Lay(0, Span{0, 90.1}, 100, 1); ok || l.Fits(Span{0, 90.1}) || !l.Fits(Span{0, 90}) {
		t.Error("a part longer than the belt between two passages was taken")
	}
}

// TestReadingsOnLittleOfTheLoop: 9.7 m between checks are 4.04 loops of 2.4 m, so that the place creeps on by
// 100 mm at a time; a mark is one place.
func TestReadingsOnLittleOfTheLoop(t *testing.T) {
	for _, c := range []struct {
		everyMM, loopMM float64
		n               int
		share           float64 // by hand
		creeps          bool
	}{
		{9700, 2400, 5, 400. / 2400, true},
		{9600, 2400, 5, 0, false},
		{9610, 2400, 3, 20. / 2400, false},
		{7000, 2400, 6, 1000. / 2400, true}, // 200 mm back at a time
		{7000, 2400, 11, 2000. / 2400, false},
		{-9700, 2400, 4, 300. / 2400, true}, // a belt that runs the other way
		{9700, 0, 5, -1, false},
		{9700, 2400, 2, -1, false},
	} {
		var list []Reading
		for i := range c.n {
			list = append(list, Reading{TravelMM: math.Abs(c.everyMM) * float64(i), AdvanceMM: c.everyMM * float64(i), OffsetMM: 0.1 * float64(i)})
		}
		f := Outlook{LimitMM: 3, WorstMMPerM: 0.05, LoopMM: c.loopMM}.Forecast(list, list[c.n-1])
		if share := f.LoopShare; (share == nil) != (c.share < 0) || share != nil && math.Abs(*share-c.share) > 1e-9 || f.Creeps() != c.creeps {
			t.Errorf("%+v: share %v, creeps %v", c, share, f.Creeps())
		}
	}
}
