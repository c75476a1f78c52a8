// Package bed keeps what the ledger's records show of the belt: its lateral offset, where its seam is,
// where parts have lain and lie, how old its surface is, and how its scale was set.
//
// Like the count (package book), a [Bed] changes by folding records, so that a run, a restart and a
// correction reach the same state. Lengths are commanded millimetres on the ledger's scale.
package bed

import (
	"math"
	"time"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// Settings are the machine's settings that concern its belt.
type Settings struct {
	LoopMM        float64 // length of the loop; 0: unknown
	SeamMM        float64 // length of the seam
	ToDropMM      float64 // from the nozzle to the drop edge; 0: unknown
	OffsetLimitMM float64
	WorstMMPerM   float64 // sideways per travel, assumed until the belt is known
	Certainty     float64 // that the belt is within its limit at a hold
}

// Bed is what is known of the belt.
type Bed struct {
	// Readings are the lateral offsets since the last realignment, in order of travel. From is where
	// that realignment was.
	Readings    []belt.Reading
	RealignedAt belt.Reading
	Surface     *ledger.SurfaceRenewed // how it was last renewed; nil: never
	Scale       *ledger.ScaleSet       // how the board's scale was last set; nil: never
	Wear        *belt.Wear             // nil when the length of the loop is unknown

	set         Settings
	scatter     belt.Scatter // learned from earlier alignments; zero: nothing
	newestCheck int64        // the check that read the newest offset
	scales      []belt.Rescale
	seam        seam
	parts       []lyingPart

	cached belt.Forecast
	key    forecastKey
}

// Position is how far the belt has run, and how much of that is uncertain.
type Position struct{ TravelMM, AdvanceMM, UncertainMM float64 }

// New returns a belt with no history.
func New(set Settings) *Bed {
	return &Bed{set: set, Wear: belt.NewWear(set.LoopMM)}
}

// Fold applies a record, given its time and the belt's position then. The book must have folded it
// already.
func (b *Bed) Fold(r ledger.Record, at time.Time, p Position, count *book.Book) {
	switch r := r.(type) {
	case ledger.CheckRecorded:
		b.key = forecastKey{}
		if r.Check.Corrects == 0 {
			if r.Check.BeltCleared {
				b.Clear()
			}
			b.addCheck(r.Check)
			return
		}
		b.Readings, b.RealignedAt, b.scatter, b.newestCheck = nil, belt.Reading{}, belt.Scatter{}, 0
		for c := range count.Checks() {
			b.addCheck(c)
		}
	case ledger.SurfaceRenewed:
		if r.Stamp.At.IsZero() {
			r.Stamp.At = at
		}
		b.Surface = &r
	case ledger.ScaleSet:
		b.Scale = &r
		b.scales = append(b.scales, belt.Rescale{AtTravelMM: r.TravelMM, FromStepsPerMM: r.OldStepsPerMM, ToStepsPerMM: r.NewStepsPerMM})
	case ledger.SeamSeen:
		b.seam = seam{seen: true, atMM: r.AdvanceMM, uncertainMM: p.UncertainMM}
	case ledger.PartLaid:
		b.addPart(r, p, count)
	}
}

// addCheck applies the lateral offset of a check and a realignment. The offset was read before the
// realignment.
func (b *Bed) addCheck(c ledger.Check) {
	at := belt.Reading{TravelMM: c.TravelMM, AdvanceMM: c.AdvanceMM}
	if c.OffsetMM != nil {
		at.OffsetMM = *c.OffsetMM
		b.Readings, b.newestCheck = append(b.Readings, at), c.ID
	}
	if c.Realigned {
		f := b.Outlook(0).Forecast(b.Readings, at)
		if f.Basis == belt.OnReadings && f.N > 2 {
			b.scatter = f.Scatter.Lasting()
		}
		b.Readings, b.RealignedAt, b.newestCheck = nil, at, c.ID
	}
}

// Newest returns the latest offset since the realignment, nil when none was read, and the check that
// read it.
func (b *Bed) Newest() (r *belt.Reading, check int64) {
	if len(b.Readings) == 0 {
		return nil, b.newestCheck
	}
	return &b.Readings[len(b.Readings)-1], b.newestCheck
}

// Beyond reports whether the newest offset since the realignment is beyond the limit.
func (b *Bed) Beyond() bool {
	r, _ := b.Newest()
	return r != nil && b.set.OffsetLimitMM > 0 && math.Abs(r.OffsetMM) > b.set.OffsetLimitMM
}

// forecastKey is the input of a forecast.
type forecastKey struct {
	at    belt.Reading
	ratio float64
	valid bool
}

// Forecast judges the belt at its position, for what runs next with the given net advance per travel.
// It is recomputed only when its input has changed.
func (b *Bed) Forecast(p Position, advancePerTravel float64) belt.Forecast {
	key := forecastKey{belt.Reading{TravelMM: p.TravelMM, AdvanceMM: p.AdvanceMM}, advancePerTravel, true}
	if key != b.key {
		b.cached, b.key = b.Outlook(advancePerTravel).Forecast(b.Readings, key.at), key
	}
	return b.cached
}

// Outlook is the basis of a forecast. advancePerTravel is that of what runs next; 0 where it is
// unknown.
func (b *Bed) Outlook(advancePerTravel float64) belt.Outlook {
	return belt.Outlook{LimitMM: b.set.OffsetLimitMM, WorstMMPerM: b.set.WorstMMPerM, Certainty: b.set.Certainty,
		AdvancePerTravel: advancePerTravel, Scatter: b.scatter, LoopMM: b.set.LoopMM, RealignedAtMM: b.RealignedAt.TravelMM}
}

// TrialOutlook is the basis for judging a trial.
func (b *Bed) TrialOutlook() belt.Outlook {
	return belt.Outlook{LimitMM: b.set.OffsetLimitMM, WorstMMPerM: b.set.WorstMMPerM, Certainty: b.set.Certainty, Scatter: b.scatter}
}

// Worst is the basis for the belt's worst offset, past and future, at the assumed rate.
func (b *Bed) Worst() belt.WorstCase {
	newest, _ := b.Newest()
	return belt.WorstCase{RateMMPerM: b.set.WorstMMPerM, Newest: newest, RealignedAtMM: b.RealignedAt.TravelMM}
}

// CalibratedMM converts a travel to the last scale set; false if none was.
func (b *Bed) CalibratedMM(travelMM float64) (float64, bool) {
	if len(b.scales) == 0 {
		return 0, false
	}
	return belt.Calibrated(travelMM, b.scales), true
}
