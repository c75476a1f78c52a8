package ledger

import (
	"database/sql"
	"errors"
	"fmt"
)

func (LotOpened) kind() string        { return "lot_opened" }
func (LotChanged) kind() string       { return "lot_changed" }
func (CycleBegun) kind() string       { return "cycle_begun" }
func (CycleMade) kind() string        { return "cycle_made" }
func (CycleDischarged) kind() string  { return "cycle_discharged" }
func (CycleInterrupted) kind() string { return "cycle_interrupted" }
func (CycleDecided) kind() string     { return "cycle_decided" }
func (BeltMoved) kind() string        { return "belt_moved" }

// require returns ErrIllegal if the row that a record refers to does not exist. Zero refers to
// nothing.
func (t *txn) require(what, query string, id int64) error {
	if id == 0 {
		return nil
	}
	var one int
	err := t.row(query, []any{id}, &one)
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("there is no %s %d: %w", what, id, ErrIllegal)
	}
	return err
}

func (t *txn) requireLot(id int64) error {
	return t.require("lot", "SELECT 1 FROM lot WHERE lot = ?", id)
}

func (t *txn) requireJob(lotID int64, index int) error {
	if err := t.requireLot(lotID); err != nil {
		return err
	}
	var one int
	err := t.row("SELECT 1 FROM lot_job WHERE lot = ? AND job_index = ?", []any{lotID, index}, &one)
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("lot %d has no job %d: %w", lotID, index, ErrIllegal)
	}
	return err
}

// orNull stores an absent identifier as NULL, so that foreign keys hold for the others.
func orNull(id int64) any {
	if id == 0 {
		return nil
	}
	return id
}

func (r LotOpened) apply(t *txn) error {
	lot := r.Lot
	if err := t.exec("INSERT INTO lot (lot, name, job_order, status, opened_seq, changed_seq) VALUES (?, ?, ?, ?, ?, ?)",
		lot.ID, lot.Name, lot.Order, LotOpen, t.seq, t.seq); err != nil {
		return fmt.Errorf("lot %d: %w", lot.ID, err)
	}
	for _, j := range lot.Jobs {
		if err := t.exec(`INSERT INTO lot_job (lot, job_index, path, sha256, name, good_ordered, filament_mm,
			belt_travel_mm, pitch_mm) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`, lot.ID, j.Index, j.Path, j.SHA256, j.Name,
			j.GoodOrdered, j.FilamentMMPerCycle, j.BeltTravelMMPerCycle, j.PitchMM); err != nil {
			return fmt.Errorf("lot %d, job %d: %w", lot.ID, j.Index, err)
		}
		if j.PlannedRun == 0 {
			continue
		}
		if err := t.exec("INSERT INTO planned (lot, job_index, run_ns, waits) VALUES (?, ?, ?, ?)", lot.ID, j.Index, int64(j.PlannedRun), j.PlannedWaits); err != nil {
			return fmt.Errorf("lot %d, job %d: %w", lot.ID, j.Index, err)
		}
	}
	for n, a := range lot.Alterations {
		if err := t.exec("INSERT INTO alteration (lot, n, job_index, kind, line, text, why) VALUES (?, ?, ?, ?, ?, ?, ?)",
			lot.ID, n, a.JobIndex, a.Kind, a.Line, a.Text, a.Why); err != nil {
			return fmt.Errorf("lot %d, alteration %d: %w", lot.ID, n, err)
		}
	}
	if p := lot.Particulars; p != (Particulars{}) {
		if err := t.exec("INSERT INTO lot_particulars (lot, order_number, material, material_batch) VALUES (?, ?, ?, ?)",
			lot.ID, p.OrderNumber, p.Material, p.MaterialBatch); err != nil {
			return fmt.Errorf("lot %d, particulars: %w", lot.ID, err)
		}
	}
	return t.lotChange(lot.ID, LotOpen, "")
}

func (t *txn) lotChange(lotID int64, status, reason string) error {
	return t.exec("INSERT INTO lot_change (seq, lot, status, reason) VALUES (?, ?, ?, ?)", t.seq, lotID, status, reason)
}

func (r LotChanged) apply(t *txn) error {
	ok, err := t.change("UPDATE lot SET status = ?, changed_seq = ? WHERE lot = ?", r.Status, t.seq, r.LotID)
	if err != nil {
		return fmt.Errorf("lot %d to %s: %w", r.LotID, r.Status, err)
	}
	if !ok {
		return fmt.Errorf("there is no lot %d: %w", r.LotID, ErrIllegal)
	}
	return t.lotChange(r.LotID, r.Status, r.Reason)
}

func (r CycleBegun) apply(t *txn) error {
	if err := t.requireJob(r.LotID, r.JobIndex); err != nil {
		return err
	}
	if err := t.exec(`INSERT INTO cycle (cycle, lot, job_index, ordinal, end_number, state, begun_seq)
		VALUES (?, ?, ?, ?, ?, 'begun', ?)`, r.Seq, r.LotID, r.JobIndex, r.Ordinal, r.EndNumber, t.seq); err != nil {
		return fmt.Errorf("cycle %d (number %d of lot %d): %w", r.Seq, r.Ordinal, r.LotID, err)
	}
	return t.belt(r.Belt)
}

// step advances a cycle; a trigger of the schema enforces the allowed transitions.
func (t *txn) step(cycle int64, query string, args ...any) error {
	ok, err := t.change(query, append(args, cycle)...)
	if err != nil {
		var state string
		if t.row("SELECT state FROM cycle WHERE cycle = ?", []any{cycle}, &state) == nil {
			return fmt.Errorf("cycle %d is %s: %w", cycle, state, err)
		}
		return fmt.Errorf("cycle %d: %w", cycle, err)
	}
	if !ok {
		return fmt.Errorf("cycle %d was never begun: %w", cycle, ErrIllegal)
	}
	return nil
}

func (r CycleMade) apply(t *txn) error {
	if err := t.step(r.Seq, `UPDATE cycle SET state = 'made', made_seq = ?, filament_mm = ?, machine_ns = ?, evidence = ?
		WHERE cycle = ?`, t.seq, r.FilamentMM, int64(r.MachineTime), r.Evidence); err != nil {
		return err
	}
	return t.belt(r.Belt)
}

func (r CycleDischarged) apply(t *txn) error {
	if err := t.step(r.Seq, "UPDATE cycle SET state = 'discharged', discharged_seq = ? WHERE cycle = ?", t.seq); err != nil {
		return err
	}
	return t.belt(r.Belt)
}

func (r CycleInterrupted) apply(t *txn) error {
	if err := t.step(r.Seq, "UPDATE cycle SET state = 'interrupted', interrupted_seq = ?, reason = ? WHERE cycle = ?",
		t.seq, r.Reason); err != nil {
		return err
	}
	return t.belt(r.Belt)
}

func (r CycleDecided) apply(t *txn) error {
	if err := t.require("check", "SELECT 1 FROM visit WHERE visit = ?", r.CheckID); err != nil {
		return err
	}
	return t.step(r.Seq, "UPDATE cycle SET state = 'decided', decided_seq = ?, good = ?, visit = ?, note = ? WHERE cycle = ?",
		t.seq, r.Good, orNull(r.CheckID), r.Note)
}

func (r BeltMoved) apply(t *txn) error { return t.belt(r.Belt) }

func (t *txn) belt(b Belt) error {
	return t.exec(`INSERT INTO belt (seq, travel_mm, advance_mm, since_realign_mm, since_check_mm, uncertain_mm, known)
		VALUES (?, ?, ?, ?, ?, ?, ?)`,
		t.seq, b.TravelMM, b.AdvanceMM, b.SinceRealignMM, b.SinceCheckMM, b.UncertainMM, b.Known)
}
