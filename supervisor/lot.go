package supervisor

import (
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
	"beltwarden/supervisor/quality"
)

// lot is the order in work. Its counts mirror the ledger's; the ledger is the
// truth, and is read again at every start.
type lot struct {
	ledger.Lot
	plans   []*job.Plan // nil where the file could not be inspected again
	missing string      // why a plan is missing
	jobs    []jobCount
	begun   int // cycles begun, those that are void too: the ordinal of the newest
	void    int // cycles given up before anything of them was laid
	made    int // cycles made since the lot began, all jobs
	last    int // job of the newest cycle, -1 before the first
	led     map[int]bool
	going   bool // a part was begun since the run started
	heated  bool // and nothing was done since: the next part begins hot
	pace    pace.Model
	sizes   sizes
	ordered []SizeOrder // by job; nil when none was ordered

	yield   *YieldView // never altered: snapshots share it
	yieldOf quality.Order
	ready   *ReadyView // likewise
	readyOf readyKey
	readyAt time.Time

	filamentMM float64 // running total when the newest part was made
}

// jobCount counts the parts of one job of a lot.
type jobCount struct {
	ordered, made, good, scrap, interrupted int

	torn int // interrupted parts decided scrap
}

func (l *lot) madeOne(job int) {
	l.jobs[job].made++
	l.made++
}

// unverified is the number of parts made that nobody has looked at yet.
func (j jobCount) unverified() int { return j.made - j.good - j.scrap }

// wanted is the number of cycles still to begin, if all parts are good.
func (j jobCount) wanted() int { return max(0, j.ordered-(j.made-j.scrap)) }

func (l *lot) total() jobCount {
	var t jobCount
	for _, j := range l.jobs {
		t.ordered += j.ordered
		t.made += j.made
		t.good += j.good
		t.scrap += j.scrap
		t.interrupted += j.interrupted
		t.torn += j.torn
	}
	return t
}

// wanted is the number of cycles the lot still needs.
func (l *lot) wanted() int {
	n := 0
	for _, j := range l.jobs {
		n += j.wanted()
	}
	return n
}

// next returns the job of the next cycle, or -1 when nothing is left to make.
func (l *lot) next() int {
	n := len(l.jobs)
	first := 0
	if l.Order == ledger.OrderTurn {
		first = l.last + 1
	}
	for i := range n {
		k := (first + i) % n
		if l.jobs[k].wanted() > 0 {
			return k
		}
	}
	return -1
}

// fulfilled reports whether the operator has seen the ordered good parts.
func (l *lot) fulfilled() bool {
	for _, j := range l.jobs {
		if j.good < j.ordered {
			return false
		}
	}
	return true
}
