//go:build !race

// The race detector has nothing to find in hours of one goroutine.

package belt

import (
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"beltwarden/serialio/rig"
)

// simLimitMM is the limit, and simLotM the travel, of every simulated lot.
const (
	simLimitMM = 3.0
	simLotM    = 100.0
)

// simulated is the rig's belt in a lot, with the errors of whoever reads it. Every figure is
// drawn again for each lot, from ranges that are wide on purpose (common practice, no
// source: a well aligned belt ran 100 m, a bad one shows within a few metres).
type simulated struct {
	rng          *rand.Rand
	belt         *rig.StandaloneBelt
	readError    float64 // mm
	readStep     float64 // mm
	turnsAt      float64 // m of travel at which the rates change; 0 never
	turned       float64 // mm/m
	advPerTravel float64
	rateMMPerM   float64

	travelM, advanceM, peakMM float64
	learned                   Scatter // from the realignment before
	newest                    Scatter
}

func logUniform(r *rand.Rand, low, high float64) float64 {
	return low * math.Pow(high/low, r.Float64())
}

func newSimulated(seed uint64) *simulated {
	r := rand.New(rand.NewPCG(seed, 77))
	sign := func() float64 { return float64(2*r.IntN(2) - 1) }
	b := rig.Belt{DriftPerTravelMMPerM: sign() * logUniform(r, 0.003, 0.3), JitterMMPerSqrtM: logUniform(r, 0.005, 0.1)}
	s := &simulated{rng: r, readError: logUniform(r, 0.05, 0.3), readStep: []float64{0.1, 0.25, 0.5}[r.IntN(3)], advPerTravel: logUniform(r, 0.02, 0.2)}
	if r.IntN(2) == 0 {
		b.DriftPerAdvanceMMPerM = sign() * logUniform(r, 0.01, 1)
	}
	if r.IntN(4) == 0 {
		b.DisturbancesPerM, b.DisturbanceMM = logUniform(r, 0.002, 0.02), logUniform(r, 0.1, 0.6)
	}
	if r.IntN(8) == 0 {
		s.turnsAt, s.turned = logUniform(r, 5, 100), sign()*logUniform(r, 0.003, 0.1)
	}
	s.rateMMPerM = b.DriftPerTravelMMPerM + s.advPerTravel*b.DriftPerAdvanceMMPerM
	s.belt = rig.NewStandaloneBelt(b, seed)
	return s
}

// run moves the belt by so many metres and notes how far out it came.
func (s *simulated) run(m float64) {
	for s.peakMM = math.Abs(s.belt.OffsetMM()); m > 1e-9; {
		d := min(0.1, m)
		m -= d
		s.travelM += d
		s.advanceM += d * s.advPerTravel
		if s.turnsAt > 0 && s.travelM > s.turnsAt {
			s.belt.Turn(s.turned, 0)
		}
		s.belt.Move(1000*d*s.advPerTravel, 1000*d)
		s.peakMM = max(s.peakMM, math.Abs(s.belt.OffsetMM()))
	}
}

// here is where the belt stands, without its offset.
func (s *simulated) here() Reading {
	return Reading{TravelMM: 1000 * s.travelM, AdvanceMM: 1000 * s.advanceM}
}

func (s *simulated) read() Reading {
	r := s.here()
	r.OffsetMM = math.Round((s.belt.OffsetMM()+s.rng.NormFloat64()*s.readError)/s.readStep) * s.readStep
	return r
}

func (s *simulated) realign() { s.belt.Place(0.1 * s.rng.NormFloat64()) }

// tale is how lots went under a policy.
type tale struct {
	lots, unseen, visits, realigned int
	bounds, held                    int // 95 % bounds forecast from three checks or more
	offsets, rates                  promised
}

// promised counts 95 % intervals that held, by the number of checks: 3, 4 to 6, more.
type promised [3]struct{ made, held int }

func (k *promised) note(checks int, interval *[2]float64, truth float64) {
	if interval == nil {
		return
	}
	i := 0
	switch {
	case checks > 6:
		i = 2
	case checks > 3:
		i = 1
	}
	k[i].made++
	if truth >= interval[0] && truth <= interval[1] {
		k[i].held++
	}
}

// policy says how many metres to run until the next visit.
type policy func(s *simulated, readings []Reading) float64

// byForecast runs to where the forecast holds, and judges its 95 % bound on the way: at
// the bound the belt must not have passed the limit. A bound beyond the lot's end is
// judged by running on to it.
func byForecast(o Outlook, t *tale) policy {
	return func(s *simulated, readings []Reading) float64 {
		o.Scatter = s.learned
		f := o.Forecast(readings, s.here())
		s.newest = f.Scatter
		t.offsets.note(f.N, f.Offset95MM, s.belt.OffsetMM())
		if s.turnsAt == 0 { // else there is no one rate
			t.rates.note(f.N, f.Rate95MMPerM, s.rateMMPerM)
		}
		if m := min(f.TravelToLimitLower95MM/1000, 10*simLotM); m > 0 && len(readings) >= 3 {
			t.bounds++
			if s.runOn(m) <= simLimitMM {
				t.held++
			}
		}
		return f.HoldMM / 1000
	}
}

// runOn returns how far out the belt comes on the next m metres, in a world of its own.
func (s *simulated) runOn(m float64) float64 {
	twin := *s
	twin.belt = s.belt.Twin(s.rng.Uint64())
	twin.run(m)
	return twin.peakMM
}

// every visits at a fixed interval.
func every(m float64) policy { return func(*simulated, []Reading) float64 { return m } }

// allKnowing comes just before the belt passes the limit.
func allKnowing(s *simulated, _ []Reading) float64 {
	twin := *s
	twin.belt = s.belt.Twin(0)
	m := 0.0
	for ; m < simLotM; m += 0.1 {
		if twin.run(0.1); twin.peakMM > simLimitMM {
			break
		}
	}
	return m - 0.1
}

// play runs one lot. The operator realigns a belt read beyond half the limit, and the
// all-knowing one whenever called.
func (t *tale) play(seed uint64, next policy, always bool) {
	s := newSimulated(seed)
	s.realign()
	readings, unseen := []Reading{s.read()}, false
	t.lots++
	t.visits++
	for left := simLotM; left > 0; left = simLotM - s.travelM {
		run := max(next(s, readings), 0.2)
		s.run(min(run, left))
		unseen = unseen || s.peakMM > simLimitMM
		if run >= left {
			break
		}
		t.visits++
		r := s.read()
		readings = append(readings, r)
		if always || math.Abs(r.OffsetMM) > simLimitMM/2 {
			s.realign()
			s.learned = s.newest.Lasting()
			t.realigned++
			readings = []Reading{s.read()}
		}
	}
	if unseen {
		t.unseen++
	}
}

func (t *tale) perLot(n int) float64 { return float64(n) / float64(t.lots) }

// TestCalibration asks the forecast whether it keeps its word, and what it costs in
// visits, over lots of every kind. BELTWARDEN_LOTS is how many (make models: 10,000).
func TestCalibration(t *testing.T) {
	lots := 600
	if v, err := strconv.Atoi(os.Getenv("BELTWARDEN_LOTS")); err == nil {
		lots = v
	}
	var ours, fixed tale
	o := Outlook{LimitMM: simLimitMM, WorstMMPerM: 0.5}
	best := math.Inf(1) // visits of the fixed interval that misses as seldom
	tell := func(name string, w *tale) {
		t.Logf("%-22s %6.2f %% of lots passed the limit unseen; %6.2f visits and %.2f realignments a lot", name, 100*w.perLot(w.unseen), w.perLot(w.visits), w.perLot(w.realigned))
	}
	for seed := range uint64(lots) {
		ours.play(seed, byForecast(o, &ours), false)
	}
	tell("by the forecast", &ours)
	for _, m := range []float64{2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 40, 50} {
		fixed = tale{}
		for seed := range uint64(lots) {
			fixed.play(seed, every(m), false)
		}
		tell("every "+strconv.Itoa(int(m))+" m", &fixed)
		if fixed.unseen <= ours.unseen {
			best = min(best, fixed.perLot(fixed.visits))
		}
	}
	knowing := tale{}
	for seed := range uint64(lots) {
		knowing.play(seed, allKnowing, true)
	}
	tell("by one who knows all", &knowing)
	kept := 100 * float64(ours.held) / float64(ours.bounds)
	t.Logf("the 95 %% bound held in %.2f %% of %d forecasts made with three checks or more", kept, ours.bounds)
	if slack := 300 / math.Sqrt(float64(ours.bounds)) * math.Sqrt(0.95*0.05); kept < 94-slack || kept > 97+slack {
		t.Errorf("that is outside 94 to 97 %%, and %.2f for chance", slack)
	}
	for name, k := range map[string]promised{"offset": ours.offsets, "rate": ours.rates} {
		for i, checks := range []string{"3 checks", "4 to 6", "more"} {
			n := float64(k[i].made)
			share := float64(k[i].held) / n
			t.Logf("the 95 %% interval of the %s held in %.1f %% of %d, %s", name, 100*share, k[i].made, checks)
			if slack := 3 * math.Sqrt(0.95*0.05/n); share < 0.94-slack {
				t.Errorf("the interval of the %s held in %.1f %% of %d, %s", name, 100*share, k[i].made, checks)
			}
		}
	}
	if limit := 0.01 + 3*math.Sqrt(0.01/float64(lots)); ours.perLot(ours.unseen) > limit {
		t.Errorf("%d of %d lots passed the limit unseen", ours.unseen, lots)
	}
	if ours.perLot(ours.visits) > best/2 {
		t.Errorf("%.2f visits a lot; a fixed interval that misses as seldom needs %.2f", ours.perLot(ours.visits), best)
	}
}
