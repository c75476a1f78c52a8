// Package book keeps the count: what the ledger's records amount to for lots, parts, checks, holds,
// care, spool and bin.
//
// A [Book] changes only by [Book.Fold]. A running process folds each record as it is made, a restarted
// one folds those in the ledger, and a correction folds the checks again: all three reach the same
// state by the same code. Transient state, such as the part under the nozzle, is not in it.
package book

import (
	"slices"
	"time"

	"beltwarden/supervisor/ledger"
)

// EventOverride is the kind of event that records that the operator continues against the checks so
// far.
const EventOverride = "override"

// Settings are a book's input besides the records.
type Settings struct {
	SpoolTareG float64 // mass of an empty spool, subtracted from the weight
	// ByCheck reports whether a hold for that reason ends by a check.
	ByCheck func(reason string) bool
}

// Book is the count. Its fields are read-only.
type Book struct {
	Lot  *Lot           // the newest; nil before the first
	Next ledger.NextIDs // numbers of the next records
	// Undecided are the interrupted parts that wait for the operator's decision, first begun first.
	Undecided []Cycle
	Hold      *Hold // in force; nil: none
	Since     Since
	Care      []CareSince // by name, when it was last done and what was made since

	set  Settings
	open *Cycle // begun, and neither made nor interrupted
	last *Cycle // the newest made
	lots map[int64]*tally

	filamentMM float64 // used by all cycles that have ended
	made       int     // parts of all lots whose cycle was confirmed

	checks       []check // in force, each in the order of the visits that they report
	correctedBy  map[int64]int64
	overriddenTo int64   // the newest check that the operator has continued against
	scaled       bool    // the belt's scale was set,
	scaleAtMM    float64 // last at this travel
	rescaled     bool    // and no check was recorded since
	spool, bin   *mark
	surface      surface
	articles     map[string]ledger.Check // by a job's digest, the check that found its first article good on this surface
}

// CareSince is when something was last done, and what the machine has made since.
type CareSince struct {
	ledger.CareDone
	Parts int           // made since
	Work  time.Duration // printing time of these parts, from begun to made
}

// Cycle is the making of one part.
type Cycle struct {
	Seq     int64
	LotID   int64
	Job     int // index from 0
	Ordinal int // nth cycle of its lot, from 1
}

// Hold is a hold, suspension or abort in force.
type Hold struct {
	ID       int64
	Reason   string // code
	Text     string
	TravelMM float64 // belt travel when it began
	Checked  bool    // a check was recorded since
}

// Since is what was done since the last check, or since the last hold for a check that was released
// without one.
type Since struct {
	Parts    int       // made
	TravelMM float64   // belt travel when counting began
	At       time.Time // when it began
}

// tally is what a correction needs of a lot that may have ended.
type tally struct {
	confirmed  []int     // parts by job that the board confirmed as made
	filamentMM []float64 // of one cycle, by job
	digests    []string  // of their files
}

// New returns the book of a ledger without records.
func New(set Settings) *Book {
	return &Book{set: set, Next: ledger.NextIDs{Lot: 1, Cycle: 1, Hold: 1, Check: 1}, lots: map[int64]*tally{}, correctedBy: map[int64]int64{}, articles: map[string]ledger.Check{}}
}

// Fold applies a record, given its time. It ignores records that do not concern the count.
func (b *Book) Fold(r ledger.Record, at time.Time) {
	switch r := r.(type) {
	case ledger.LotOpened:
		b.openLot(r.Lot)
	case ledger.SizeOrdered:
		if l := b.Lot; l != nil && l.ID == r.LotID {
			l.orderSize(r)
		}
	case ledger.FirstArticle:
		if l := b.Lot; l != nil && l.ID == r.LotID {
			l.FirstArticle = r
		}
	case ledger.SurfaceRenewed:
		b.surfaceRenewed()
	case ledger.LotChanged:
		if l := b.Lot; l != nil && l.ID == r.LotID {
			l.Status = r.Status
			if !ledger.Unfinished(r.Status) {
				b.Undecided = nil // they stay interrupted, and count for nothing
			}
		}
	case ledger.CycleBegun:
		b.beginCycle(r)
	case ledger.CycleMade:
		b.cycleMade(r)
	case ledger.CycleInterrupted:
		b.interruptCycle(r)
	case ledger.CycleDecided:
		b.decideCycle(r)
	case ledger.CheckRecorded:
		b.addCheck(r.Check, at)
	case ledger.ScaleSet:
		b.scaled, b.scaleAtMM, b.rescaled = true, r.TravelMM, true
		b.resetSizes()
	case ledger.HoldBegun:
		b.Next.Hold = max(b.Next.Hold, r.ID+1)
		b.Hold = &Hold{ID: r.ID, Reason: r.Reason, Text: r.Text, TravelMM: r.TravelMM}
	case ledger.HoldEnded:
		if h := b.Hold; h != nil && h.ID == r.ID {
			if Released(r.How) && !h.Checked && b.set.ByCheck(h.Reason) {
				b.Since = Since{TravelMM: h.TravelMM, At: at} // the belt has not moved since
			}
			b.Hold = nil
		}
	case ledger.EventNoted:
		if r.Kind == EventOverride {
			b.overriddenTo = b.Next.Check - 1
			b.waive()
		}
	case ledger.CareDone:
		if r.Stamp.At.IsZero() {
			r.Stamp.At = at
		}
		b.Care = slices.DeleteFunc(b.Care, func(old CareSince) bool { return old.Name == r.Name })
		b.Care = append(b.Care, CareSince{CareDone: r})
	}
}

func (b *Book) openLot(l ledger.Lot) {
	b.Next.Lot = max(b.Next.Lot, l.ID+1)
	t := &tally{confirmed: make([]int, len(l.Jobs))}
	b.Lot = &Lot{Lot: l, Counts: make([]Count, len(l.Jobs)), article: make([]article, len(l.Jobs)), Last: -1, previous: -1}
	for i, j := range l.Jobs {
		b.Lot.Counts[i].Ordered = j.GoodOrdered
		t.filamentMM = append(t.filamentMM, j.FilamentMMPerCycle)
		t.digests = append(t.digests, j.SHA256)
	}
	b.lots[l.ID] = t
}

// lotOf returns the lot of a cycle if it is the newest.
func (b *Book) lotOf(c Cycle) *Lot {
	if l := b.Lot; l != nil && l.ID == c.LotID && c.Job < len(l.Counts) {
		return l
	}
	return nil
}

func (b *Book) beginCycle(r ledger.CycleBegun) {
	b.Next.Cycle = max(b.Next.Cycle, r.Seq+1)
	b.open = &Cycle{r.Seq, r.LotID, r.JobIndex, r.Ordinal}
	if l := b.lotOf(*b.open); l != nil {
		l.Begun++
		l.previous, l.Last = l.Last, r.JobIndex
	}
}

func (b *Book) cycleMade(r ledger.CycleMade) {
	c := b.open
	if c == nil || c.Seq != r.Seq {
		return
	}
	b.open, b.last = nil, c
	b.made++
	b.filamentMM += r.FilamentMM
	b.Since.Parts++
	for i := range b.Care {
		b.Care[i].Parts++
		b.Care[i].Work += r.MachineTime
	}
	if t := b.lots[c.LotID]; t != nil && c.Job < len(t.confirmed) {
		t.confirmed[c.Job]++
	}
	if l := b.lotOf(*c); l != nil {
		l.addMade(c.Job)
	}
}

// interruptCycle sets a part aside until it is decided on. Its filament is unknown: it counts as a whole
// part's.
func (b *Book) interruptCycle(r ledger.CycleInterrupted) {
	c := b.open
	if c == nil || c.Seq != r.Seq {
		return
	}
	b.open = nil
	b.filamentMM += b.wholeMM(*c)
	b.Undecided = append(b.Undecided, *c)
	if l := b.lotOf(*c); l != nil {
		l.Counts[c.Job].Interrupted++
	}
}

// wholeMM is the filament of a whole cycle.
func (b *Book) wholeMM(c Cycle) float64 {
	if t := b.lots[c.LotID]; t != nil && c.Job < len(t.filamentMM) {
		return t.filamentMM[c.Job]
	}
	return 0
}

// decideCycle applies the decision on an interrupted part. Without a check, a part that is not good means
// that nothing of it was laid.
func (b *Book) decideCycle(r ledger.CycleDecided) {
	i := slices.IndexFunc(b.Undecided, func(c Cycle) bool { return c.Seq == r.Seq })
	if i < 0 {
		return
	}
	c := b.Undecided[i]
	b.Undecided = slices.Delete(b.Undecided, i, i+1)
	void := !r.Good && r.CheckID == 0
	if void {
		b.filamentMM -= b.wholeMM(c)
	}
	l := b.lotOf(c)
	if l == nil {
		return
	}
	n := &l.Counts[c.Job]
	n.Interrupted--
	if void {
		l.Void++
		l.Last = l.previous
		return
	}
	l.addMade(c.Job)
	if r.Good {
		n.Good++
		n.DecidedGood++
	} else {
		n.Scrap++
		n.DecidedScrap++
	}
}

// Released reports whether a hold that ended this way was ended by somebody who let the machine
// continue. A hold that waits for a check is released without one only with a reason.
func Released(how string) bool { return how == "unhold" || how == "unsuspend" }

// CycleOf returns the cycle with a number, if it is the newest begun or made.
func (b *Book) CycleOf(seq int64) (Cycle, bool) {
	for _, c := range []*Cycle{b.open, b.last} {
		if c != nil && c.Seq == seq {
			return *c, true
		}
	}
	return Cycle{}, false
}

// CareOf returns when something was last done, and what was made since; false if it was never entered.
func (b *Book) CareOf(name string) (CareSince, bool) {
	for _, c := range b.Care {
		if c.Name == name {
			return c, true
		}
	}
	return CareSince{}, false
}
