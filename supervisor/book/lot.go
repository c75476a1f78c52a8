package book

import (
	"fmt"

	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// Lot is an order and its count.
type Lot struct {
	ledger.Lot
	Counts []Count     // by job
	Begun  int         // cycles begun, void ones included: the ordinal of the newest
	Void   int         // cycles given up before they laid anything
	Made   int         // parts made, all jobs, see Count
	Last   int         // job of the newest cycle that is not void, -1 before the first
	Sizes  []SizeOrder // ordered, by job; nil when none was ordered
	// FirstArticle says whether the lot holds after the first part of a job that was not yet found good.
	FirstArticle ledger.FirstArticle

	article  []article // by job
	previous int       // job of the cycle before the newest
	sizes    sizes
	yield    *Yield // never modified: readers may keep it
	yieldOf  quality.Order
}

// Count counts the parts of one job of a lot.
type Count struct {
	Ordered     int
	Made        int // good, scrap and not looked at: confirmed by the board, or interrupted and decided on
	Good        int
	Scrap       int
	Interrupted int // and not decided on

	// Interrupted parts among those made, by decision; they are included in Good and Scrap.
	DecidedGood, DecidedScrap int
}

// Begun is the number of cycles begun that are not void, without one in progress.
func (c Count) Begun() int { return c.Made + c.Interrupted }

// String formats the balance; it reads the same everywhere.
func (c Count) String() string {
	text := fmt.Sprintf("%d made: %d good, %d not looked at, %d scrap; ", c.Made, c.Good, c.NotLookedAt(), c.Scrap)
	if c.Interrupted > 0 {
		text += fmt.Sprintf("%d interrupted and not decided; ", c.Interrupted)
	}
	return text + fmt.Sprintf("%d ordered", c.Ordered)
}

// NotLookedAt is the number of parts made that no check has counted yet.
func (c Count) NotLookedAt() int { return c.Made - c.Good - c.Scrap }

// Wanted is the number of cycles still to begin, if all parts are good.
func (c Count) Wanted() int { return max(0, c.Ordered-(c.Made-c.Scrap)) }

func (l *Lot) addMade(job int) {
	l.Counts[job].Made++
	l.Made++
}

// Total sums up the jobs.
func (l *Lot) Total() Count {
	var t Count
	for _, c := range l.Counts {
		t.Ordered += c.Ordered
		t.Made += c.Made
		t.Good += c.Good
		t.Scrap += c.Scrap
		t.Interrupted += c.Interrupted
		t.DecidedGood += c.DecidedGood
		t.DecidedScrap += c.DecidedScrap
	}
	return t
}

// Wanted is the number of cycles that the lot still needs, if all parts are good.
func (l *Lot) Wanted() int {
	n := 0
	for _, c := range l.Counts {
		n += c.Wanted()
	}
	return n
}

// Next returns the job of the next cycle, or -1 when nothing is left to make.
func (l *Lot) Next() int {
	n := len(l.Counts)
	first := 0
	if l.Order == ledger.OrderTurn {
		first = l.Last + 1
	}
	for i := range n {
		k := (first + i) % n
		if l.Counts[k].Wanted() > 0 {
			return k
		}
	}
	return -1
}

// Fulfilled reports whether checks have found the ordered good parts.
func (l *Lot) Fulfilled() bool {
	for _, c := range l.Counts {
		if c.Good < c.Ordered {
			return false
		}
	}
	return true
}

// Yield is the plan for the rest of an order.
type Yield struct {
	Cycles      int64   `json:"cycles"` // still to begin, for 95 % certainty
	Probability float64 `json:"probability"`
	Yield       float64 `json:"yield"` // expected fraction of good parts
	// Low and High are the 95 % Wilson interval of the yield of parts looked at.
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	// Assumed: too few parts were looked at, so the yield is an assumption.
	Assumed bool `json:"assumed"`
}

// Yield returns how many cycles to begin so that the ordered parts come out good with 95 % certainty,
// from the scrap found so far, and the counts behind it; nil if that cannot be computed. It is
// recomputed only when a count has changed: it sums over the whole order, and each reply of the board
// needs it.
func (l *Lot) Yield() (*Yield, quality.Order) {
	t := l.Total()
	o := quality.Order{Good: int64(t.Ordered), Made: int64(t.Made), Scrap: int64(t.Scrap), Unverified: int64(t.NotLookedAt())}
	if l.yield != nil && o == l.yieldOf {
		return l.yield, o
	}
	l.yieldOf, l.yield = o, nil
	if p, err := quality.PlanFor(o, quality.DefaultPrior(), 0.95); err == nil {
		l.yield = &Yield{Cycles: p.Cycles, Probability: p.Probability, Yield: p.Yield, Low: p.Seen.Low, High: p.Seen.High, Assumed: p.Assumed}
	}
	return l.yield, o
}
