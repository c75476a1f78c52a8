package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

const lotColumns = "l.lot, l.name, l.status, l.job_order, c.reason, coalesce(a.order_number, ''), coalesce(a.material, ''), coalesce(a.material_batch, '')"

// lotsWhere reads lots with their jobs and alterations; the condition is on lot l.
func lotsWhere(ctx context.Context, q querier, where string, args ...any) ([]Lot, error) {
	lots, at, err := lotsWithoutJobs(ctx, q, where, args...)
	if err != nil || len(lots) == 0 {
		return nil, err
	}
	err = each(ctx, q, `SELECT a.lot, a.job_index, a.kind, a.line, a.text, a.why FROM alteration a
		JOIN lot l ON l.lot = a.lot WHERE `+where+" ORDER BY a.lot, a.n", args, func(rows *sql.Rows) error {
		var id int64
		var a Alteration
		err := rows.Scan(&id, &a.JobIndex, &a.Kind, &a.Line, &a.Text, &a.Why)
		lot := &lots[at[id]]
		lot.Alterations = append(lot.Alterations, a)
		return err
	})
	return lots, err
}

// lotsWithoutJobs reads lots with their jobs, and where each stands in the list by its number.
func lotsWithoutJobs(ctx context.Context, q querier, where string, args ...any) ([]Lot, map[int64]int, error) {
	var lots []Lot
	at := map[int64]int{} // lot to index
	err := each(ctx, q, "SELECT "+lotColumns+", "+stampColumns("o")+", "+stampColumns("e")+` FROM lot l
		JOIN entry o ON o.seq = l.opened_seq JOIN entry e ON e.seq = l.changed_seq
		JOIN lot_change c ON c.seq = l.changed_seq LEFT JOIN lot_particulars a ON a.lot = l.lot WHERE `+where+" ORDER BY l.lot", args, func(rows *sql.Rows) error {
		var lot Lot
		var opened, changed stampRow
		into := []any{&lot.ID, &lot.Name, &lot.Status, &lot.Order, &lot.Reason, &lot.Particulars.OrderNumber, &lot.Particulars.Material, &lot.Particulars.MaterialBatch}
		err := rows.Scan(append(append(into, opened.into()...), changed.into()...)...)
		lot.Opened, lot.Changed = opened.stamp(), changed.stamp()
		at[lot.ID] = len(lots)
		lots = append(lots, lot)
		return err
	})
	if err != nil || len(lots) == 0 {
		return nil, nil, err
	}
	err = each(ctx, q, `SELECT j.lot, j.job_index, j.path, j.sha256, j.name, j.good_ordered, j.filament_mm, j.belt_travel_mm,
		j.pitch_mm, coalesce(p.run_ns, 0), coalesce(p.waits, 0) FROM lot_job j JOIN lot l ON l.lot = j.lot
		LEFT JOIN planned p ON p.lot = j.lot AND p.job_index = j.job_index WHERE `+where+" ORDER BY j.lot, j.job_index", args,
		func(rows *sql.Rows) error {
			var id, planned int64
			var j LotJob
			err := rows.Scan(&id, &j.Index, &j.Path, &j.SHA256, &j.Name, &j.GoodOrdered, &j.FilamentMMPerCycle,
				&j.BeltTravelMMPerCycle, &j.PitchMM, &planned, &j.PlannedWaits)
			j.PlannedRun = time.Duration(planned)
			lot := &lots[at[id]]
			lot.Jobs = append(lot.Jobs, j)
			return err
		})
	return lots, at, err
}

// Lots returns every lot with its jobs and alterations, the oldest first.
func (l *Ledger) Lots(ctx context.Context) (lots []Lot, err error) {
	err = l.view(ctx, "the lots", func(q querier) (err error) {
		lots, err = lotsWhere(ctx, q, "true")
		return err
	})
	return lots, err
}

// Lot returns one lot; the error wraps ErrNotFound when there is none of that number.
func (l *Ledger) Lot(ctx context.Context, id int64) (lot Lot, err error) {
	err = l.view(ctx, "a lot", func(q querier) error {
		lots, err := lotsWhere(ctx, q, "l.lot = ?", id)
		if err != nil {
			return err
		}
		if len(lots) == 0 {
			return noLot(id)
		}
		lot = lots[0]
		return nil
	})
	return lot, err
}

func noLot(id int64) error { return fmt.Errorf("lot %d: %w", id, ErrNotFound) }

// OpenLot returns the newest lot that is open or made, nil when there is none.
func (l *Ledger) OpenLot(ctx context.Context) (lot *Lot, err error) {
	err = l.view(ctx, "the open lot", func(q querier) error {
		lots, err := lotsWhere(ctx, q, "l.lot = (SELECT max(lot) FROM lot WHERE status IN ('open', 'made'))")
		if len(lots) > 0 {
			lot = &lots[0]
		}
		return err
	})
	return lot, err
}

// cyclesWhere reads cycles; the condition is on cycle c.
func cyclesWhere(ctx context.Context, q querier, where string, args ...any) (cycles []Cycle, err error) {
	err = each(ctx, q, `SELECT c.cycle, c.lot, c.job_index, c.ordinal, c.end_number, c.state, coalesce(c.filament_mm, 0),
		coalesce(c.machine_ns, 0), coalesce(c.evidence, ''), coalesce(c.reason, ''), coalesce(c.good, 0),
		coalesce(c.visit, 0), coalesce(c.note, ''), b.travel_mm, b.advance_mm, b.since_realign_mm, b.since_check_mm,
		b.uncertain_mm, b.known, coalesce(m.travel_mm, 0), coalesce(m.advance_mm, 0), coalesce(m.since_realign_mm, 0),
		coalesce(m.since_check_mm, 0), coalesce(m.uncertain_mm, 0), coalesce(m.known, 0), `+stampColumns("e1")+", "+stampColumns("e2")+", "+stampColumns("e3")+", "+
		stampColumns("e4")+", "+stampColumns("e5")+` FROM cycle c JOIN belt b ON b.seq = c.begun_seq
		LEFT JOIN belt m ON m.seq = c.made_seq JOIN entry e1 ON e1.seq = c.begun_seq LEFT JOIN entry e2 ON e2.seq = c.made_seq
		LEFT JOIN entry e3 ON e3.seq = c.discharged_seq LEFT JOIN entry e4 ON e4.seq = c.interrupted_seq
		LEFT JOIN entry e5 ON e5.seq = c.decided_seq WHERE `+where+" ORDER BY c.cycle", args, func(rows *sql.Rows) error {
		var c Cycle
		var machineNS int64
		var at [5]stampRow
		b, m := &c.BegunBelt, &c.MadeBelt
		into := []any{&c.Seq, &c.LotID, &c.JobIndex, &c.Ordinal, &c.EndNumber, &c.State, &c.FilamentMM, &machineNS,
			&c.Evidence, &c.Reason, &c.Good, &c.CheckID, &c.Note, &b.TravelMM, &b.AdvanceMM, &b.SinceRealignMM,
			&b.SinceCheckMM, &b.UncertainMM, &b.Known, &m.TravelMM, &m.AdvanceMM, &m.SinceRealignMM, &m.SinceCheckMM,
			&m.UncertainMM, &m.Known}
		for i := range at {
			into = append(into, at[i].into()...)
		}
		err := rows.Scan(into...)
		c.MachineTime = time.Duration(machineNS)
		c.Begun, c.Made, c.Discharged = at[0].stamp(), at[1].stamp(), at[2].stamp()
		c.Interrupted, c.Decided = at[3].stamp(), at[4].stamp()
		if c.State == CycleStateDecided && !c.Good && c.CheckID == 0 {
			c.State = CycleStateVoid
		}
		cycles = append(cycles, c)
		return err
	})
	return cycles, err
}

// Cycles returns the cycles of a lot in the order in which they were begun; of all lots with lotID 0.
func (l *Ledger) Cycles(ctx context.Context, lotID int64) (cycles []Cycle, err error) {
	err = l.view(ctx, "the cycles", func(q querier) (err error) {
		if lotID == 0 {
			cycles, err = cyclesWhere(ctx, q, "true")
		} else {
			cycles, err = cyclesWhere(ctx, q, "c.lot = ?", lotID)
		}
		return err
	})
	return cycles, err
}

// LastCycle returns the newest cycle of any lot, nil when none was begun.
func (l *Ledger) LastCycle(ctx context.Context) (cycle *Cycle, err error) {
	err = l.view(ctx, "the last cycle", func(q querier) error {
		cycles, err := cyclesWhere(ctx, q, "c.cycle = (SELECT max(cycle) FROM cycle)")
		if len(cycles) > 0 {
			cycle = &cycles[0]
		}
		return err
	})
	return cycle, err
}
