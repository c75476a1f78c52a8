package ledger

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
)

func (HoldBegun) kind() string     { return "hold_begun" }
func (HoldEnded) kind() string     { return "hold_ended" }
func (CheckRecorded) kind() string { return "check_recorded" }

func (r HoldBegun) apply(t *txn) error {
	if err := t.requireLot(r.LotID); err != nil {
		return err
	}
	if err := t.exec(`INSERT INTO hold (hold, lot, state, reason, text, at_part, travel_mm, begun_seq)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?)`, r.ID, orNull(r.LotID), r.State, r.Reason, r.Text, r.AtPart, r.TravelMM,
		t.seq); err != nil {
		return fmt.Errorf("hold %d: %w", r.ID, err)
	}
	return nil
}

func (r HoldEnded) apply(t *txn) error {
	ok, err := t.change("UPDATE hold SET ended_seq = ?, how = ?, by = ?, override = ? WHERE hold = ?",
		t.seq, r.How, r.By, r.Override, r.ID)
	if err != nil {
		return fmt.Errorf("hold %d: %w", r.ID, err)
	}
	if !ok {
		return fmt.Errorf("there is no hold %d: %w", r.ID, ErrIllegal)
	}
	return nil
}

// Sum adds up counts by reason.
func Sum(counts map[string]int) int {
	n := 0
	for _, c := range counts {
		n += c
	}
	return n
}

func (r CheckRecorded) apply(t *txn) error {
	c := r.Check
	root, err := t.correctable(c)
	if err != nil {
		return err
	}
	if err := t.requireLot(c.LotID); err != nil {
		return err
	}
	var job any
	if c.JobIndex != nil {
		if err := t.requireJob(c.LotID, *c.JobIndex); err != nil {
			return err
		}
		job = *c.JobIndex
	}
	lengths, err := json.Marshal(append([]float64{}, c.LengthsMM...))
	if err != nil {
		return err
	}
	scrap := c.Scrap
	if scrap == nil {
		scrap = map[string]int{}
	}
	scrapText, err := json.Marshal(scrap)
	if err != nil {
		return err
	}
	atMS := t.wallMS
	if !c.At.IsZero() {
		atMS = c.At.UnixMilli()
	}
	if err := t.exec(`INSERT INTO visit (visit, seq, lot, job_index, root, corrects, at_ms, offset_mm, lengths_mm, good,
		scrap, scrap_total, realigned, belt_cleared, spool_g, bin_emptied, note, by, travel_mm, advance_mm, cycles_made)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, c.ID, t.seq, orNull(c.LotID), job, root,
		orNull(c.Corrects), atMS, c.OffsetMM, string(lengths), c.Good, string(scrapText), Sum(scrap), c.Realigned,
		c.BeltCleared, c.SpoolG, c.BinEmptied, c.Note, c.By, c.TravelMM, c.AdvanceMM, c.CyclesMade); err != nil {
		return fmt.Errorf("check %d: %w", c.ID, err)
	}
	if err := t.applyDetached(c); err != nil {
		return err
	}
	if err := t.applySizeWord(c); err != nil {
		return err
	}
	return t.checkCounts(c)
}

// correctable returns the first check of the chain that c belongs to. A correction must stay with its lot, and each check
// is corrected once: the next correction names the last.
func (t *txn) correctable(c Check) (root int64, err error) {
	if c.Corrects == 0 {
		return c.ID, nil
	}
	var lotID, by sql.NullInt64
	err = t.row(`SELECT v.root, v.lot, w.visit FROM visit v LEFT JOIN visit w ON w.corrects = v.visit WHERE v.visit = ?`,
		[]any{c.Corrects}, &root, &lotID, &by)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return 0, fmt.Errorf("check %d corrects check %d, which is not there: %w", c.ID, c.Corrects, ErrIllegal)
	case err != nil:
		return 0, err
	case lotID.Int64 != c.LotID:
		return 0, fmt.Errorf("check %d of lot %d corrects check %d, which belongs to lot %d: %w",
			c.ID, c.LotID, c.Corrects, lotID.Int64, ErrIllegal)
	case by.Valid:
		return 0, fmt.Errorf("check %d has already been corrected by check %d: correct that one: %w",
			c.Corrects, by.Int64, ErrIllegal)
	}
	return root, nil
}

// inForce selects the checks that no later check corrects.
const inForce = "NOT EXISTS (SELECT 1 FROM visit w WHERE w.corrects = v.visit)"

// checkCounts refuses a check by which the lot, or one of its jobs, would have more parts than were
// confirmed.
func (t *txn) checkCounts(c Check) error {
	if c.LotID == 0 {
		return nil
	}
	var good, scrap, made int
	if err := t.row("SELECT coalesce(sum(good), 0), coalesce(sum(scrap_total), 0) FROM visit v WHERE v.lot = ? AND "+inForce,
		[]any{c.LotID}, &good, &scrap); err != nil {
		return err
	}
	if err := t.row("SELECT count(*) FROM cycle WHERE lot = ? AND state IN ('made', 'discharged')", []any{c.LotID}, &made); err != nil {
		return err
	}
	if good+scrap > made {
		return fmt.Errorf("check %d: lot %d would have %d good and %d scrap, but %d parts were made: %w",
			c.ID, c.LotID, good, scrap, made, ErrTooMany)
	}
	if c.JobIndex == nil {
		return nil
	}
	if err := t.row(`SELECT coalesce(sum(good), 0), coalesce(sum(scrap_total), 0) FROM visit v
		WHERE v.lot = ? AND v.job_index = ? AND `+inForce, []any{c.LotID, *c.JobIndex}, &good, &scrap); err != nil {
		return err
	}
	if err := t.row("SELECT count(*) FROM cycle WHERE lot = ? AND job_index = ? AND state IN ('made', 'discharged')",
		[]any{c.LotID, *c.JobIndex}, &made); err != nil {
		return err
	}
	if good+scrap > made {
		return fmt.Errorf("check %d: job %d of lot %d would have %d good and %d scrap, but %d parts of it were made: %w",
			c.ID, *c.JobIndex, c.LotID, good, scrap, made, ErrTooMany)
	}
	return nil
}
