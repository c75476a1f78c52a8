package book

import (
	"iter"
	"time"

	"beltwarden/supervisor/ledger"
)

// check is a check in force, with what had been made and used by the visit that it reports.
type check struct {
	ledger.Check
	mark
	rescaled bool // the belt's scale was set between the previous check and this one
	outdated bool // its lengths are of parts made before the scale was set
}

// mark is a moment in the count of all lots.
type mark struct {
	made       int     // parts
	filamentMM float64 // used by cycles that had ended
	spoolG     float64 // filament on the spool, if it was weighed
}

// addCheck applies a check. A correction replaces the check that it corrects, and everything that
// follows from the checks is derived again; it is not a visit of its own.
func (b *Book) addCheck(c ledger.Check, at time.Time) {
	b.Next.Check = max(b.Next.Check, c.ID+1)
	if c.Corrects != 0 {
		b.correctedBy[c.Corrects] = c.ID
		for i := range b.checks {
			if b.checks[i].ID == c.Corrects {
				b.checks[i].Check = c
				b.applyChecks()
				return
			}
		}
	}
	b.checks = append(b.checks, check{Check: c, mark: mark{made: b.made, filamentMM: b.filamentMM}, rescaled: b.rescaled, outdated: b.scaled && c.TravelMM <= b.scaleAtMM})
	b.rescaled = false
	b.applyCheck(&b.checks[len(b.checks)-1])
	b.takeArticle(len(b.checks) - 1)
	b.Since = Since{TravelMM: c.TravelMM, At: at}
	if b.Hold != nil {
		b.Hold.Checked = true
	}
}

// applyChecks applies all checks in force from the beginning.
func (b *Book) applyChecks() {
	b.spool, b.bin = nil, nil
	clear(b.articles)
	if l := b.Lot; l != nil {
		l.sizes = sizes{}
		for i := range l.Counts {
			l.Counts[i].Good, l.Counts[i].Scrap = l.Counts[i].DecidedGood, l.Counts[i].DecidedScrap
		}
	}
	for i := range b.checks {
		b.applyCheck(&b.checks[i])
		b.takeArticle(i)
	}
	if b.rescaled {
		b.resetSizes()
	}
}

// applyCheck applies one check.
func (b *Book) applyCheck(c *check) {
	if c.SpoolG != nil {
		b.spool = &c.mark
		b.spool.spoolG = *c.SpoolG - b.set.SpoolTareG
	}
	if c.BinEmptied {
		b.bin = &c.mark
	}
	l := b.Lot
	if l == nil || l.ID != c.LotID {
		return
	}
	if c.rescaled {
		l.sizes.reset()
	}
	k := jobOf(c.Check)
	if k >= len(l.Counts) || c.JobIndex == nil && len(l.Counts) > 1 {
		return // it counted the lot as a whole
	}
	l.Counts[k].Good += c.Good
	l.Counts[k].Scrap += ledger.Sum(c.Scrap)
	l.sizes.decide(c.Check, k)
	l.sizes.add(c.ID, k, c.LengthsMM)
	if c.outdated {
		l.sizes.reset()
	}
}

// jobOf returns the job that a check's counts are for.
func jobOf(c ledger.Check) int {
	if c.JobIndex == nil {
		return 0
	}
	return *c.JobIndex
}

// Checks yields the checks in force, each correction in place of the check that it corrects.
func (b *Book) Checks() iter.Seq[ledger.Check] {
	return func(yield func(ledger.Check) bool) {
		for i := range b.checks {
			if !yield(b.checks[i].Check) {
				return
			}
		}
	}
}

// Check returns a check in force. If none has that number, by is the check that has corrected it, 0 if
// that is unknown or it never existed.
func (b *Book) Check(id int64) (c ledger.Check, by int64, ok bool) {
	for i := range b.checks {
		if b.checks[i].ID == id {
			return b.checks[i].Check, 0, true
		}
	}
	return ledger.Check{}, b.correctedBy[id], false
}

// Countable is how many parts of a job a correction may count: those made, less what other checks have
// counted. It is false if the lot has no such job.
func (b *Book) Countable(old ledger.Check, job int) (n int, ok bool) {
	t := b.lots[old.LotID]
	if t == nil || job < 0 || job >= len(t.confirmed) {
		return 0, false
	}
	n = t.confirmed[job]
	for i := range b.checks {
		if c := &b.checks[i]; c.LotID == old.LotID && c.ID != old.ID && jobOf(c.Check) == job {
			n -= c.Good + ledger.Sum(c.Scrap)
		}
	}
	return n, true
}

// Overridden reports whether the operator has continued, with a reason, after a check was recorded:
// the check's objections are answered.
func (b *Book) Overridden(check int64) bool { return check <= b.overriddenTo }

// SpoolG returns the filament on the spool when it was weighed, and the millimetres used since by
// cycles that have ended; an interrupted one counts as a whole one. It is false if no spool was ever
// weighed.
func (b *Book) SpoolG() (g, takenMM float64, weighed bool) {
	if b.spool == nil {
		return 0, 0, false
	}
	return b.spool.spoolG, b.filamentMM - b.spool.filamentMM, true
}

// Binned is how many parts were made since the bin was emptied; false if that was never recorded.
func (b *Book) Binned() (n int, emptied bool) {
	if b.bin == nil {
		return 0, false
	}
	return b.made - b.bin.made, true
}
