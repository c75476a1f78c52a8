package belt

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestJudgeByHand: 5 m that take the belt from -0.2 to +0.8 mm are 0.2 mm/m to the right.
// A reading is off by 0.5/sqrt(12) mm, known as well as from 2 readings, whose Student's t
// at 97.5 % is 4.303 (NIST/SEMATECH e-Handbook 1.3.6.7.2): 4.303*0.5/sqrt(6) = 0.878 mm.
func TestJudgeByHand(t *testing.T) {
	o := Outlook{LimitMM: 3, WorstMMPerM: 0.5}
	before, after := Reading{TravelMM: 1000, AdvanceMM: -500, OffsetMM: -0.2}, Reading{TravelMM: 6000, AdvanceMM: 4500, OffsetMM: 0.8}
	v := o.Judge(before, after, 20000, 20000)
	blur := 4.302653 * 0.5 / math.Sqrt(6)
	if v.Side != "right" || !agree(v.RateMMPerM, 0.2, 1e-12) || !agree(v.Rate95[1], 0.2+blur/5, 1e-5) || !agree(*v.TravelToLimitMM, 11000, 1e-9) {
		t.Errorf("%+v", v)
	}
	if !agree(v.NeededMM, 2*blur*20000/3, 1e-5) {
		t.Errorf("a trial of %g mm is needed, want %g", v.NeededMM, 2*blur*20000/3)
	}
	mirror := o.Judge(Reading{0, 0, 0.2}, Reading{5000, 5000, -0.8}, 20000, 20000)
	if mirror.Side != "left" || !agree(mirror.RateMMPerM, -0.2, 1e-12) || !agree(mirror.TravelToLimitLower95MM, v.TravelToLimitLower95MM, 0.01) {
		t.Errorf("to the left: %+v", mirror)
	}
}

// TestJudgement goes through the cases, each with what its numbers say by themselves.
func TestJudgement(t *testing.T) {
	o := Outlook{LimitMM: 3, WorstMMPerM: 0.5}
	for _, c := range []struct {
		why                  string
		runMM, afterMM, lotM float64
		advanceM             float64
		want                 Alignment
	}{
		{"no lot", 5000, 0.1, 0, 0, AlignmentNoLot},
		{"6 mm in 20 m, by a clear trial", 20000, 2, 60, 60, AlignedBadly},
		{"still, and a lot much shorter than the trial", 20000, 0, 5, 5, AlignedWell},
		{"still over 1 m says nothing about 100 m", 1000, 0, 100, 100, AlignmentUnclear},
		{"beyond the limit already", 5000, 3.2, 1, 1, AlignedBadly},
		{"and to the left", 5000, -3.2, 1, 1, AlignedBadly},
		{"60 m to and fro that come to 3 m forward", 20000, 2, 60, 3, AlignmentDepends},
		{"the same to the left, the belt running the other way", 20000, -2, 60, -3, AlignmentDepends},
		{"out by 3 m forward already", 20000, 2.9, 60, 3, AlignedBadly},
		{"perhaps out by 3 m forward", 20000, 2.7, 60, 3, AlignmentUnclear},
	} {
		v := o.Judge(Reading{}, Reading{c.runMM, c.runMM, c.afterMM}, 1000*c.lotM, 1000*c.advanceM)
		if v.Alignment != c.want {
			t.Errorf("%s: %s: %+v", c.why, v.Alignment, v)
		}
	}
}

// TestJudgementIsKept: what is called good enough is so, and what is called bad is bad, for
// belts of known rate read to half a millimetre. A misjudgement may come in one of forty.
func TestJudgementIsKept(t *testing.T) {
	o := Outlook{LimitMM: 3, WorstMMPerM: 0.5}
	const aheadMM = 10000.0
	wrong, well, badly := 0, 0, 0
	rnd := rand.New(rand.NewPCG(7, 77))
	const lots = 4000
	for range lots {
		rate := (rnd.Float64() - 0.5) * 1.2
		runMM := 2000 + 18000*rnd.Float64()
		read := func(mm float64) float64 { return math.Round(2*mm) / 2 }
		zero := rnd.Float64() - 0.5
		v := o.Judge(Reading{OffsetMM: read(zero)}, Reading{runMM, runMM, read(zero + rate*runMM/1000)}, aheadMM, aheadMM)
		passes := math.Abs(zero+rate*(runMM+aheadMM)/1000) > o.LimitMM
		switch v.Alignment {
		case AlignedWell:
			well++
			if passes {
				wrong++
			}
		case AlignedBadly:
			badly++
			if !passes {
				wrong++
			}
		}
	}
	t.Logf("%d called good enough, %d bad, %d of both wrongly", well, badly, wrong)
	if wrong > lots/40 || well < lots/20 || badly < lots/20 {
		t.Errorf("%d called good enough, %d bad, %d of both wrongly of %d", well, badly, wrong, lots)
	}
}
