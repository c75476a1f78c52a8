package pace

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"
)

// forecasts counts how often forecast intervals held.
type forecasts struct {
	n, held, early int
	half           []float64 // half widths, as shares of the time
	off            float64   // sum of the medians' errors, as shares of the time
}

func (v *forecasts) judge(d Interval, realS float64) {
	v.n++
	switch {
	case realS < d.Low.Seconds():
		v.early++
	case realS <= d.High.Seconds():
		v.held++
	}
	v.half = append(v.half, (d.High-d.Low).Seconds()/2/realS)
	v.off += math.Abs(d.Median.Seconds()-realS) / realS
}

func (v *forecasts) add(o *forecasts) {
	v.n, v.held, v.early, v.off, v.half = v.n+o.n, v.held+o.held, v.early+o.early, v.off+o.off, append(v.half, o.half...)
}

func (v *forecasts) share() float64 { return 100 * float64(v.held) / float64(max(1, v.n)) }

// width is the median of the half widths, per cent.
func (v *forecasts) width() float64 {
	slices.Sort(v.half)
	return 100 * v.half[len(v.half)/2]
}

func (v *forecasts) String() string {
	return fmt.Sprintf("held %5.1f %% of %5d (it was earlier in %4.1f), half width %5.1f %% of the time, median off by %4.1f %%",
		v.share(), v.n, 100*float64(v.early)/float64(v.n), v.width(), 100*v.off/float64(v.n))
}

// askedAt are the moments of a lot at which its times are forecast: after how many parts, and
// whether the next is under way.
var askedAt = []struct {
	name  string
	after int
	inIt  bool
}{{"cold", 0, false}, {"in the first", 0, true}, {"after 1", 1, false}, {"in the second", 1, true}, {"after 2", 2, false}, {"after 3", 3, false},
	{"in the sixth", 5, true}, {"after 10", 10, false}, {"in the 21st", 20, true}, {"after 40", 40, false}}

// TestVisitTimes measures how often the 95 % interval of a forecast holds, on machines and
// in rooms of every kind, for the next visit and for the end of a lot, in the first lot that
// a machine makes and in the third. Before the first part has ended it is called a guess, and
// not promised. It is to hold in 94 of 100 on every kind; on calm machines it holds more often,
// since nobody knows them to be calm before they have shown it for days. BELTWARDEN_LOTS sets
// the number of lots and BELTWARDEN_SEED the first seed. The model was tuned on the seeds 1 to
// 8000, and on the kinds up to the unheated shed; what is measured here by default, and stated
// in docs/evidence.md, is others.
func TestVisitTimes(t *testing.T) {
	lots, from := 1500, 500_001
	if n, err := strconv.Atoi(os.Getenv("BELTWARDEN_LOTS")); err == nil {
		lots = n
	}
	if n, err := strconv.Atoi(os.Getenv("BELTWARDEN_SEED")); err == nil {
		from = n
	}
	for _, earlier := range []int{0, 2} {
		t.Run(fmt.Sprintf("after %d lots", earlier), func(t *testing.T) { visitTimes(t, lots, from, earlier) })
	}
}

func visitTimes(t *testing.T, lots, from, earlier int) {
	horizons := [...]string{"next visit", "end of the lot"}
	table := make([][len(horizons)][benchKinds]forecasts, len(askedAt))
	var off [benchKinds]lotsOff
	for i := range lots {
		w := drawBench(uint64(from+i), i%benchKinds)
		known := w.earlierLots(earlier)
		parts := 5 + w.r.IntN(60)
		heatUpS, list := w.lot(parts)
		visit, share, plan := 1+w.r.IntN(8), w.r.Float64(), inS(w.planned)
		var m Model
		m.Begin(w.before, known)
		var lot forecasts
		n, ended := 0, 0.0
		for a, at := range askedAt {
			if at.after >= parts {
				break
			}
			for ; n < at.after; n++ {
				ended += list[n].all()
				w.add(&m, ended, list[n], n == 0)
			}
			elapsedS := 0.0
			if at.inIt {
				elapsedS = share * list[n].all()
			}
			goneS := elapsedS
			if n == 0 && at.inIt {
				lacks := m.Heating()
				if w.knows {
					lacks = w.reheat
				}
				elapsedS += lacks.Seconds()
			} else if n == 0 {
				goneS, elapsedS = -heatUpS, -(UnseenHeating / 2).Seconds()
			}
			for h := range horizons {
				k := parts - n
				if h == 0 {
					k = min(k, visit)
				}
				realS := -goneS
				for _, c := range list[n : n+k] {
					realS += c.all()
				}
				d := m.Takes(k, after(inS(ended)+inS(elapsedS)), time.Duration(k)*plan, inS(elapsedS))
				table[a][h][w.kind].judge(d, realS)
				if at.after > 0 {
					lot.judge(d, realS)
				}
			}
		}
		off[w.kind].add(&lot)
	}
	var all forecasts
	kinds := make([]forecasts, benchKinds)
	for h, horizon := range horizons {
		for a, at := range askedAt {
			var row forecasts
			cells := ""
			for kind := range benchKinds {
				c := &table[a][h][kind]
				if c.n == 0 {
					continue
				}
				cells += fmt.Sprintf(" %5.1f (%.1f)", c.share(), c.width())
				row.add(c)
				if at.after > 0 {
					kinds[kind].add(c)
				}
			}
			what := ""
			if at.after > 0 {
				all.add(&row)
			} else {
				what = ", a guess"
			}
			t.Logf("%-14s %-13s %v%s; by kind, half width:%s", horizon, at.name, &row, what, cells)
		}
	}
	for kind := range kinds {
		v, chance := &kinds[kind], off[kind].error()
		t.Logf("%-20s %v; chance %.1f", benchNames[kind], v, chance)
		if v.share()+3*chance < 94 {
			t.Errorf("%s: %.1f %% hold, and 94 are promised", benchNames[kind], v.share())
		}
	}
	t.Logf("%-20s %v", "all", &all)
	if share := all.share(); share > 99 {
		t.Errorf("of all forecasts %.1f %% hold: their intervals are too wide", share)
	}
}

// lotsOff adds up lots, of which each is one draw: the forecasts in one go wrong together.
type lotsOff struct {
	n, off []float64
}

func (o *lotsOff) add(v *forecasts) {
	o.n, o.off = append(o.n, float64(v.n)), append(o.off, float64(v.n-v.held))
}

// error is the standard error of the share that holds, per cent: that of a ratio of sums
// (Cochran 1977, Sampling Techniques, 6.4; from memory).
func (o *lotsOff) error() float64 {
	n, off, squares := 0.0, 0.0, 0.0
	for i := range o.n {
		n, off = n+o.n[i], off+o.off[i]
	}
	for i := range o.n {
		d := o.off[i] - off/n*o.n[i]
		squares += d * d
	}
	return 100 * math.Sqrt(squares) / n
}

// TestFirstLotTeaches: after two calm lots the interval of a third lot's end is narrower than that
// of the first, and what a hot first cycle lacks is known.
func TestFirstLotTeaches(t *testing.T) {
	known := DefaultPrior()
	half := func(lot int) time.Duration {
		var m Model
		m.Begin(UnplannedWait(), known)
		var ended time.Duration
		var first Interval
		for n := range 20 {
			took := 30*time.Minute + time.Duration(n%3)*2*time.Second
			if n == 0 {
				took = 27 * time.Minute // without the heating, a tenth of it
			}
			ended += took
			m.Add(Cycle{Began: after(ended - took), Ended: after(ended), Hot: n == 0})
			if n == 0 {
				first = m.Takes(8, after(ended), 0, 0)
			}
		}
		if want := 4 * time.Hour; lot == 2 && (first.Median-want).Abs() > want/100 {
			t.Errorf("eight cycles of half an hour, forecast after a hot one: %v", first)
		}
		known = m.Learned()
		if !known.Valid() {
			t.Fatalf("%+v", known)
		}
		return (first.High - first.Low) / 2
	}
	first, _, third := half(0), half(1), half(2)
	if third > first/2 {
		t.Errorf("half the interval is %v in the third lot, and %v in the first", third, first)
	}
}

// TestModelIsALocalLevel compares each case's steady state, without the day's swing, with the
// closed form of the local level model: with q the ratio of the variances of wander and noise, the gain tends to
// (sqrt(q²+4q)-q)/2 (Muth, 1960, Optimal Properties of Exponentially Weighted Forecasts;
// Durbin and Koopman, 2.11; both from memory), and the variance to the gain times the noise's.
func TestModelIsALocalLevel(t *testing.T) {
	var m Model
	m.Begin(Wait{time.Minute, 1, true}, DefaultPrior())
	for i := range m.cases {
		for h := 1; h < stateSize; h++ {
			m.cases[i].cov[h][h] = 0
		}
	}
	for i := range 5000 {
		m.Add(Cycle{Began: after(time.Duration(i) * 10 * time.Minute), Ended: after(time.Duration(i+1) * 10 * time.Minute)})
	}
	for _, s := range m.cases {
		if s.jump > 0 {
			continue
		}
		q := s.wander * s.wander / (s.noise * s.noise)
		want := (math.Sqrt(q*q+4*q) - q) / 2 * s.noise * s.noise
		if math.Abs(s.cov[0][0]-want) > 1e-6*want || math.Abs(s.mean[0]-math.Log(600)) > 1e-6 {
			t.Errorf("noise %g, wander %g: variance %g, want %g; level %g", s.noise, s.wander, s.cov[0][0], want, s.mean[0])
		}
	}
	if d := m.Takes(7, after(50000*time.Minute), 0, 0).Median; (d - 70*time.Minute).Abs() > time.Second {
		t.Errorf("seven cycles of ten minutes take %s", d)
	}
}

// tenMinutes is cycle i of some that take ten minutes and up to two seconds.
func tenMinutes(i int) Cycle {
	ended := after(time.Duration(i+1) * 10 * time.Minute)
	return Cycle{Began: ended.Add(-10*time.Minute - time.Duration(i%3)*time.Second), Ended: ended}
}

// TestOverduePart: a part that takes longer than any before it holds up those after it, and
// what it has taken too long is not taken off their time.
func TestOverduePart(t *testing.T) {
	var m Model
	m.Begin(Wait{time.Minute, 1, true}, DefaultPrior())
	for i := range 20 {
		m.Add(tenMinutes(i))
	}
	for _, c := range []struct {
		k                    int
		elapsed, least, most time.Duration
	}{
		{3, 4 * time.Minute, 26 * time.Minute, 26 * time.Minute},
		{3, 12 * time.Minute, 20 * time.Minute, 20 * time.Minute},
		{3, 5 * time.Hour, 20 * time.Minute, 20 * time.Minute},
		{1, 12 * time.Minute, time.Second, 10 * time.Minute},
	} {
		if d := m.Takes(c.k, after(200*time.Minute+c.elapsed), 0, c.elapsed).Median; d < c.least-5*time.Second || d > c.most+5*time.Second {
			t.Errorf("%d parts of ten minutes, the first begun %v ago: %v to go, want %v to %v", c.k, c.elapsed, d, c.least, c.most)
		}
	}
}

// TestPlanTooLong: where cycles are shorter than what their printing was planned to take, as on
// a machine that is faster than its limits say or simulated in a hurry, they go by themselves,
// whether that is seen at the first or at a later one.
func TestPlanTooLong(t *testing.T) {
	for _, others := range []int{0, 5} {
		var m Model
		m.Begin(UnplannedWait(), DefaultPrior())
		var ended time.Duration
		for i := range others + 4 {
			took := 25*time.Minute + time.Duration(i%2)*time.Second
			if i >= others {
				took /= 60
			}
			ended += took
			m.Add(Cycle{Began: after(ended - took), Ended: after(ended), Planned: 20 * time.Minute, Hot: i == 0})
		}
		d := m.Takes(10, after(ended), 200*time.Minute, 0)
		if want := 250 * time.Second; d.Low > want || d.High < want || d.Median < want*9/10 || d.Median > want*11/10 || d.High-d.Low > 6*want/10 {
			t.Errorf("ten cycles of 25 s, planned for 20 min each, seen after %d others: %v, want about %v", others, d, want)
		}
	}
}

// BenchmarkTakes is the three quantiles of a visit's time, of which a snapshot has up to 13, as
// long as most cases are still likely and when few are. It prints by how much the first takes
// longer than the second.
func BenchmarkTakes(b *testing.B) {
	var m [2]Model
	for i, cycles := range [...]int{1, 10} {
		m[i].Begin(Wait{time.Minute, 1, true}, DefaultPrior())
		for n := range cycles {
			m[i].Add(tenMinutes(n))
		}
	}
	var took [2]time.Duration
	for b.Loop() {
		for i := range m {
			from := time.Now()
			m[i].Takes(7, after(101*time.Minute), time.Hour, time.Minute)
			took[i] += time.Since(from)
		}
	}
	b.ReportMetric(took[0].Seconds()/took[1].Seconds(), "early/late")
}
