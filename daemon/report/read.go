package report

import (
	"context"
	"fmt"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// source is what the ledger has of a lot.
type source struct {
	lot     ledger.Lot
	counts  ledger.Counts
	cycles  []ledger.Cycle
	holds   []ledger.Hold
	checks  []ledger.Check // all, those since corrected among them
	visits  []ledger.Check // those in force, each where the one stood that it corrects
	times   ledger.Times
	sizes   map[int]ledger.SizeOrdered
	course  ledger.Course
	events  []ledger.Event
	now     time.Time
	zone    *time.Location
	setting Settings
}

// Read gathers the report of a lot for the workshop. The error wraps
// ledger.ErrNotFound when there is no such lot. Times of day are given in the zone of
// now.
func Read(ctx context.Context, l Ledger, lotID int64, set Settings, now time.Time) (*Report, error) {
	s := &source{now: now, zone: now.Location(), setting: set}
	if err := s.load(ctx, l, lotID); err != nil {
		return nil, fmt.Errorf("cannot report on lot %d: %w", lotID, err)
	}
	return s.report(), nil
}

func (s *source) load(ctx context.Context, l Ledger, id int64) (err error) {
	if s.lot, err = l.Lot(ctx, id); err != nil {
		return err
	}
	if s.cycles, err = l.Cycles(ctx, id); err != nil {
		return err
	}
	if s.holds, err = l.Holds(ctx, id); err != nil {
		return err
	}
	if s.checks, err = l.Checks(ctx, id, 0); err != nil {
		return err
	}
	if s.times, err = l.Times(ctx, id); err != nil {
		return err
	}
	if s.sizes, err = l.Sizes(ctx, id); err != nil {
		return err
	}
	if s.course, err = l.Course(ctx, id); err != nil {
		return err
	}
	if err = s.loadEvents(ctx, l); err != nil {
		return err
	}
	s.visits = inForce(s.checks)
	// Last, so that nothing above shows more parts than are counted.
	s.counts, err = l.Counts(ctx, id)
	return err
}

// page is how many events are read at a time.
const page = 1000

// loadEvents reads what was noted while the lot was open, the note of its opening
// included, which stands before it.
func (s *source) loadEvents(ctx context.Context, l Ledger) error {
	after := max(1, s.lot.Opened.Seq-1)
	for {
		list, err := l.Events(ctx, page, after)
		if err != nil {
			return err
		}
		for _, e := range list {
			if s.ended() && e.Stamp.Seq > s.lot.Changed.Seq {
				return nil
			}
			s.events = append(s.events, e)
		}
		if len(list) < page {
			return nil
		}
		after = list[len(list)-1].Stamp.Seq
	}
}

// ended reports whether the lot has come to its end.
func (s *source) ended() bool {
	return s.lot.Status == ledger.LotClosed || s.lot.Status == ledger.LotEnded
}

// inForce returns the checks that none corrects, each where the first of its chain
// stood.
func inForce(checks []ledger.Check) []ledger.Check {
	at := map[int64]int{} // check to its place
	placed := make([]ledger.Check, len(checks))
	for i, c := range checks {
		at[c.ID] = i
		if root, ok := at[c.Corrects]; ok {
			at[c.ID] = root
		}
		placed[at[c.ID]] = c
	}
	list := []ledger.Check{}
	for _, c := range placed {
		if c.ID != 0 && c.CorrectedBy == 0 {
			list = append(list, c)
		}
	}
	return list
}

func (s *source) report() *Report {
	c := &s.counts
	r := &Report{For: ForWorkshop, Written: s.now, Ordered: c.Ordered, Good: c.Good,
		Lot: Lot{ID: s.lot.ID, Name: s.lot.Name, Status: s.lot.Status, Opened: s.at(s.lot.Opened), Sender: s.setting.Sender,
			OrderNumber: s.lot.Particulars.OrderNumber, Material: s.lot.Particulars.Material, MaterialBatch: s.lot.Particulars.MaterialBatch}}
	for _, y := range s.cycles {
		if r.Lot.FirstPart == nil {
			r.Lot.FirstPart = s.when(y.Begun)
		}
		if y.Made.Seq > 0 {
			r.Lot.LastPart = s.when(y.Made)
		}
	}
	if s.ended() {
		r.Lot.Ended = s.when(s.lot.Changed)
	}
	w := s.workshop()
	r.Workshop = w
	for i := range s.lot.Jobs {
		r.Jobs = append(r.Jobs, s.job(i))
	}
	w.Filament.weigh(s.setting.FilamentGPerMM, r.Good)
	w.Cost = costOf(s.setting.Rates, w, r.Good)
	r.Provisional, w.Provisional = s.provisional()
	r.Remarks = s.remarks(w)
	return r
}

func (s *source) at(t ledger.Stamp) time.Time { return t.At.In(s.zone) }

func (s *source) when(t ledger.Stamp) *time.Time {
	if t.Seq == 0 {
		return nil
	}
	at := s.at(t)
	return &at
}

// workshop gathers what concerns the lot as a whole.
func (s *source) workshop() *Workshop {
	c := &s.counts
	w := &Workshop{Machine: s.setting.Machine, Reason: s.lot.Reason, Order: s.lot.Order,
		Begun: c.CyclesBegun, Made: c.Made, Scrap: c.Scrap, ScrapByReason: c.ScrapByReason, Unverified: c.Unverified,
		Undecided: c.Interrupted, InterruptedGood: c.InterruptedGood, InterruptedScrap: c.InterruptedScrap,
		Production: supervisor.ProductionOf(s.lot, s.counts, s.cycles, s.holds, s.times)}
	if w.ScrapByReason == nil {
		w.ScrapByReason = map[string]int{}
	}
	if seen := c.Good + c.Scrap; seen > 0 {
		y := Yield{Fraction: float64(c.Good) / float64(seen), Seen: seen}
		if i, err := quality.Wilson(int64(c.Good), int64(seen), confidence); err == nil {
			y.Low, y.High = i.Low, i.High
		}
		w.Yield = &y
	}
	var took []float64
	for _, y := range s.cycles {
		if t := cycleS(y); t != nil {
			took = append(took, *t)
		}
	}
	w.Cycle = spreadOf(took)
	w.Belt = s.belt()
	w.Visits, w.VisitTimes = s.visitList(), visitTimes(s.visits)
	w.Holds, w.Interruptions, w.Parts = s.holdList(), s.interruptions(), s.parts()
	w.Interventions = s.interventions()
	w.Alterations, w.Events = []Alteration{}, []Event{}
	for _, a := range s.lot.Alterations {
		w.Alterations = append(w.Alterations, Alteration{a.JobIndex + 1, a.Kind, a.Line, a.Text, a.Why})
	}
	for _, e := range s.events {
		w.Events = append(w.Events, Event{s.at(e.Stamp), e.Kind, e.Text})
	}
	w.Filament = s.filament()
	return w
}
