package supervisor

import (
	"time"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
	"beltwarden/supervisor/quality"
)

// Quote is what a lot would take on this machine, had it begun now: by what its cycles and heaters have shown,
// or by what is believed of a machine that has shown nothing.
type Quote struct {
	Parts int // parts to be made if all are good
	// Early, At and Late are when the ordered good parts have been made, with scrap made up for: At as likely
	// sooner as later, the others bound it with 95 % certainty.
	Early, At, Late time.Time
	// Making are the machine's hours in it: until the parts are made, without waits for people, and without scrap.
	Making pace.Interval
	// Unseen: how long heating and cooling take was not seen on this machine. Assumed: the yield is an assumption. Waits
	// is how many waits for people are known, 0 when the times leave waiting out.
	Unseen, Assumed bool
	Waits           int
	Yield           float64
	Scrap           int // parts made to replace scrap, as likely more as fewer
	// Visits are those foreseen before the last part, the first ones one by one; Stops is their number.
	Visits     []NextVisit
	Stops      int
	FilamentMM float64 // of Parts
	FilamentG  float64
	ScrapG     float64 // of Scrap
	TravelMM   float64
	// SpoolLeftG is what is left on the spool, nil if it was never weighed; SpoolG a full one, 0 if unknown.
	SpoolLeftG *float64
	SpoolG     float64
	// Behind says that a lot is in progress, which comes first and is not in the times.
	Behind bool
}

// quote foresees a lot without opening it. It leaves the machine as it is: what the forecast writes to is its own.
func (m *Machine) quote(r *LotRequest) *Quote {
	if len(r.Plans) == 0 || len(r.Plans) != len(r.Good) {
		return nil
	}
	l := ledger.Lot{ID: m.book.Next.Lot, Status: ledger.LotOpen, Order: r.Order}
	v := &Quote{SpoolG: m.set.SpoolG, Behind: m.lot != nil && ledger.Unfinished(m.lot.Status)}
	for i, p := range r.Plans {
		if p == nil || r.Good[i] < 1 || r.Good[i] > 1_000_000 {
			return nil
		}
		l.Jobs = append(l.Jobs, ledger.LotJob{Index: i, SHA256: p.SHA256, GoodOrdered: r.Good[i], FilamentMMPerCycle: p.FilamentMM,
			BeltTravelMMPerCycle: p.BeltTravelMM + m.dischargeMM(p), PitchMM: p.PitchMM})
		n := float64(r.Good[i])
		v.Parts += r.Good[i]
		v.FilamentMM, v.FilamentG, v.TravelMM = v.FilamentMM+n*p.FilamentMM, v.FilamentG+n*p.FilamentG, v.TravelMM+n*l.Jobs[i].BeltTravelMMPerCycle
	}
	own := book.New(book.Settings{})
	own.Fold(ledger.LotOpened{Lot: l}, m.now)
	if m.set.FirstArticle && r.NoFirstArticle == "" {
		own.Fold(ledger.FirstArticle{LotID: l.ID, Wanted: true}, m.now)
	}
	q, count := *m, *m.book
	count.Lot, count.Hold = own.Lot, nil
	q.book, q.cycle, q.state, q.prediction = &count, nil, Idle, prediction{}
	q.lot = &lot{Lot: own.Lot, plans: r.Plans, leadInDone: map[int]bool{}}
	visits := q.schedule()
	end := visits[len(visits)-1]
	v.Early, v.At, v.Late, v.Unseen = end.Early, end.At, end.Late, end.Unseen
	v.Making = pace.Interval{Low: end.Early.Sub(m.now), Median: end.At.Sub(m.now), High: end.Late.Sub(m.now)}
	if v.Visits = visits[:len(visits)-1]; len(v.Visits) > 0 {
		v.Stops = len(v.Visits)
	}
	v.Yield, v.Assumed = quality.DefaultPrior().Good/(quality.DefaultPrior().Good+quality.DefaultPrior().Scrap), true
	if ready := q.ready(visits); ready != nil {
		v.Early, v.At, v.Late, v.Scrap, v.Stops = ready.Early, ready.At, ready.Late, ready.Scrap, ready.Stops
		v.Waits, v.Yield, v.Assumed = ready.Waits, ready.Yield, ready.Assumed
	}
	v.ScrapG = float64(v.Scrap) * v.FilamentG / float64(v.Parts)
	v.SpoolLeftG = m.supplyView().SpoolLeftG
	return v
}
