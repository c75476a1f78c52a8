// Package book keeps the count: what the records of the ledger say of lots, parts, checks, holds, care,
// spool and bin.
//
// A [Book] changes by [Book.Fold] alone. A process that runs folds each record as it is made, one that
// takes over folds those that the ledger has, and a correction goes through the checks again: all three
// come to the same state by the same code. What is of the moment, such as the part under the nozzle, is
// not in it.
package book

import (
	"slices"
	"time"

	"beltwarden/supervisor/ledger"
)

// EventOverride is the kind of event by which it is kept that the operator goes on against what the checks
// so far say.
const EventOverride = "override"

// Settings are what a book needs to know beside the records.
type Settings struct {
	SpoolTareG float64 // mass of an empty spool, taken off what is weighed
	// ByCheck reports whether a hold for that reason ends by a check.
	ByCheck func(reason string) bool
}

// Book is the count. Its fields are for reading.
type Book struct {
	Lot  *Lot           // the newest; nil before the first
	Next ledger.NextIDs // what the next records are numbered
	// Undecided are the interrupted parts that wait for the operator's decision, the first begun first.
	Undecided []Cycle
	Hold      *Hold // in force; nil: none
	Since     Since
	Care      []CareSince // by name, when it was last done and what was made since

	set  Settings
	open *Cycle // begun, and neither made nor interrupted
	last *Cycle // the newest made
	lots map[int64]*tally

	filamentMM float64 // taken by all cycles that have ended
	made       int     // parts of all lots whose cycle was confirmed

	checks      []check // in force, each where the visit stood that it tells of
	correctedBy map[int64]int64
	answered    int64   // the newest check that the operator has gone on against
	scaled      bool    // the belt's scale was set,
	scaleAtMM   float64 // last at this travel
	rescaled    bool    // and no check was recorded since
	spool, bin  *mark
}

// CareSince is when something was last done, and what the machine has made since.
type CareSince struct {
	ledger.CareDone
	Parts int           // made since
	Work  time.Duration // of these parts, from the begin of each until it was made
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

// Since is what was done since the last check, or since the last hold for one that was released without.
type Since struct {
	Parts    int       // made
	TravelMM float64   // belt travel when counting began
	At       time.Time // when it began
}

// tally is what a correction needs to know of a lot that may have ended.
type tally struct {
	confirmed  []int     // parts by job of which the board said that they were made
	filamentMM []float64 // of one cycle, by job
}

// New returns the book of a ledger without records.
func New(set Settings) *Book {
	return &Book{set: set, Next: ledger.NextIDs{Lot: 1, Cycle: 1, Hold: 1, Check: 1}, lots: map[int64]*tally{}, correctedBy: map[int64]int64{}}
}

// Fold takes in a record that was made at a time. Records that say nothing of the count are left alone.
func (b *Book) Fold(r ledger.Record, at time.Time) {
	switch r := r.(type) {
	case ledger.LotOpened:
		b.opened(r.Lot)
	case ledger.SizeOrdered:
		if l := b.Lot; l != nil && l.ID == r.LotID {
			l.ordered(r)
		}
	case ledger.LotChanged:
		if l := b.Lot; l != nil && l.ID == r.LotID {
			l.Status = r.Status
			if !ledger.Unfinished(r.Status) {
				b.Undecided = nil // they stay interrupted, and count for nothing
			}
		}
	case ledger.CycleBegun:
		b.begun(r)
	case ledger.CycleMade:
		b.cycleMade(r)
	case ledger.CycleInterrupted:
		b.interrupted(r)
	case ledger.CycleDecided:
		b.decided(r)
	case ledger.CheckRecorded:
		b.checked(r.Check, at)
	case ledger.ScaleSet:
		b.scaled, b.scaleAtMM, b.rescaled = true, r.TravelMM, true
		b.sizesAnew()
	case ledger.HoldBegun:
		b.Next.Hold = max(b.Next.Hold, r.ID+1)
		b.Hold = &Hold{ID: r.ID, Reason: r.Reason, Text: r.Text, TravelMM: r.TravelMM}
	case ledger.HoldEnded:
		if h := b.Hold; h != nil && h.ID == r.ID {
			if Released(r.How) && !h.Checked && b.set.ByCheck(h.Reason) {
				b.Since = Since{TravelMM: h.TravelMM, At: at} // the belt stood still since
			}
			b.Hold = nil
		}
	case ledger.EventNoted:
		if r.Kind == EventOverride {
			b.answered = b.Next.Check - 1
		}
	case ledger.CareDone:
		if r.Stamp.At.IsZero() {
			r.Stamp.At = at
		}
		b.Care = slices.DeleteFunc(b.Care, func(old CareSince) bool { return old.Name == r.Name })
		b.Care = append(b.Care, CareSince{CareDone: r})
	}
}

func (b *Book) opened(l ledger.Lot) {
	b.Next.Lot = max(b.Next.Lot, l.ID+1)
	t := &tally{confirmed: make([]int, len(l.Jobs))}
	b.Lot = &Lot{Lot: l, Counts: make([]Count, len(l.Jobs)), Last: -1, before: -1}
	for i, j := range l.Jobs {
		b.Lot.Counts[i].Ordered = j.GoodOrdered
		t.filamentMM = append(t.filamentMM, j.FilamentMMPerCycle)
	}
	b.lots[l.ID] = t
}

// of returns the lot of a cycle where it is the newest.
func (b *Book) of(c Cycle) *Lot {
	if l := b.Lot; l != nil && l.ID == c.LotID && c.Job < len(l.Counts) {
		return l
	}
	return nil
}

func (b *Book) begun(r ledger.CycleBegun) {
	b.Next.Cycle = max(b.Next.Cycle, r.Seq+1)
	b.open = &Cycle{r.Seq, r.LotID, r.JobIndex, r.Ordinal}
	if l := b.of(*b.open); l != nil {
		l.Begun++
		l.before, l.Last = l.Last, r.JobIndex
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
	if l := b.of(*c); l != nil {
		l.madeOne(c.Job)
	}
}

// interrupted sets a part aside until it is decided on. What it took is not known: it counts as a whole one.
func (b *Book) interrupted(r ledger.CycleInterrupted) {
	c := b.open
	if c == nil || c.Seq != r.Seq {
		return
	}
	b.open = nil
	b.filamentMM += b.wholeMM(*c)
	b.Undecided = append(b.Undecided, *c)
	if l := b.of(*c); l != nil {
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

// decided is the word on an interrupted part. Without a check and not good nothing of it was laid.
func (b *Book) decided(r ledger.CycleDecided) {
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
	l := b.of(c)
	if l == nil {
		return
	}
	n := &l.Counts[c.Job]
	n.Interrupted--
	if void {
		l.Void++
		l.Last = l.before
		return
	}
	l.madeOne(c.Job)
	if r.Good {
		n.Good++
		n.DecidedGood++
	} else {
		n.Scrap++
		n.DecidedScrap++
	}
}

// Released reports whether a hold that has ended so was ended by somebody who let the machine go on. One that waits
// for a check is released without only with a reason.
func Released(how string) bool { return how == "unhold" || how == "unsuspend" }

// CycleOf returns the cycle of a number, where it is the newest begun or made.
func (b *Book) CycleOf(seq int64) (Cycle, bool) {
	for _, c := range []*Cycle{b.open, b.last} {
		if c != nil && c.Seq == seq {
			return *c, true
		}
	}
	return Cycle{}, false
}

// CareOf returns when something was last done, and what was made since; false where it was never entered.
func (b *Book) CareOf(name string) (CareSince, bool) {
	for _, c := range b.Care {
		if c.Name == name {
			return c, true
		}
	}
	return CareSince{}, false
}
