package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
)

// TrialBegun records that the belt is about to run for an alignment trial. It must be durable
// before the belt moves, so that after a power cut it is known how far it may have run.
type TrialBegun struct {
	ID        int64 // greater than that of every trial before it
	RunMM     float64
	BeforeMM  float64 // lateral offset
	TravelMM  float64 // belt travel and advance at the begin
	AdvanceMM float64
	Adjuster  string  // what was turned since the trial before, empty for nothing
	Turns     float64 // how far, with the operator's own sign
	By        string
}

// TrialRan records that the belt has run the distance of a trial and stopped.
type TrialRan struct {
	ID                  int64
	TravelMM, AdvanceMM float64
}

// TrialEnded ends a trial: with the offset after it, or without one if it was interrupted.
type TrialEnded struct {
	ID      int64
	How     string
	AfterMM *float64
}

// Trial is one trial as it was recorded.
type Trial struct {
	TrialBegun
	Ran          bool
	RanTravelMM  float64 // belt travel and advance when it had stopped; 0 before
	RanAdvanceMM float64
	Ended        bool
	How          string
	AfterMM      *float64
}

func (TrialBegun) kind() string { return "trial_begun" }
func (TrialRan) kind() string   { return "trial_ran" }
func (TrialEnded) kind() string { return "trial_ended" }

func (r TrialBegun) faults() []string {
	var f faultList
	f.id("ID", r.ID)
	f.notNegative("RunMM", r.RunMM)
	f.add(r.RunMM == 0, "RunMM is 0: it must be above 0")
	f.finite("BeforeMM", r.BeforeMM)
	f.notNegative("TravelMM", r.TravelMM)
	f.finite("AdvanceMM", r.AdvanceMM)
	f.finite("Turns", r.Turns)
	f.add((r.Turns == 0) != (r.Adjuster == ""), "Turns is %v and Adjuster %q: give both or neither", r.Turns, r.Adjuster)
	return f
}

func (r TrialRan) faults() []string {
	var f faultList
	f.id("ID", r.ID)
	f.notNegative("TravelMM", r.TravelMM)
	f.finite("AdvanceMM", r.AdvanceMM)
	return f
}

func (r TrialEnded) faults() []string {
	var f faultList
	f.id("ID", r.ID)
	f.text("How", r.How)
	if r.AfterMM != nil {
		f.finite("AfterMM", *r.AfterMM)
	}
	return f
}

func (r TrialBegun) apply(t *txn) error {
	if err := t.exec(`INSERT INTO trial (trial, begun_seq, run_mm, before_mm, travel_mm, advance_mm, adjuster, turns, by)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`, r.ID, t.seq, r.RunMM, r.BeforeMM, r.TravelMM, r.AdvanceMM, r.Adjuster, r.Turns, r.By); err != nil {
		return fmt.Errorf("trial %d: %w", r.ID, err)
	}
	return nil
}

func (r TrialRan) apply(t *txn) error {
	return t.changeTrial(r.ID, "UPDATE trial SET ran_seq = ?, ran_travel_mm = ?, ran_advance_mm = ? WHERE trial = ?",
		t.seq, r.TravelMM, r.AdvanceMM, r.ID)
}

func (r TrialEnded) apply(t *txn) error {
	return t.changeTrial(r.ID, "UPDATE trial SET ended_seq = ?, how = ?, after_mm = ? WHERE trial = ?", t.seq, r.How, r.AfterMM, r.ID)
}

func (t *txn) changeTrial(id int64, query string, args ...any) error {
	ok, err := t.change(query, args...)
	if err != nil {
		return fmt.Errorf("trial %d: %w", id, err)
	}
	if !ok {
		return fmt.Errorf("there is no trial %d: %w", id, ErrIllegal)
	}
	return nil
}

// Trials returns the newest trials, at most limit, in the order in which they were begun.
func (l *Ledger) Trials(ctx context.Context, limit int) (list []Trial, err error) {
	err = l.view(ctx, "the trials", func(q querier) error {
		return each(ctx, q, `SELECT trial, run_mm, before_mm, travel_mm, advance_mm, adjuster, turns, by, ran_seq IS NOT NULL,
			coalesce(ran_travel_mm, 0), coalesce(ran_advance_mm, 0), ended_seq IS NOT NULL, how, after_mm
			FROM trial ORDER BY trial DESC LIMIT ?`, []any{limit}, func(rows *sql.Rows) error {
			var r Trial
			err := rows.Scan(&r.ID, &r.RunMM, &r.BeforeMM, &r.TravelMM, &r.AdvanceMM, &r.Adjuster, &r.Turns, &r.By, &r.Ran,
				&r.RanTravelMM, &r.RanAdvanceMM, &r.Ended, &r.How, &r.AfterMM)
			list = append(list, r)
			return err
		})
	})
	slices.Reverse(list)
	return list, err
}
