package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"slices"
	"time"
)

// Entry is a record in the journal. For steps of a cycle, only Seq of its stamp is set.
type Entry struct {
	Stamp  Stamp
	Record Record
}

// historyHolds limits the holds that are read: how long people took to come years ago is
// irrelevant.
const historyHolds = 200

// History passes to fold, in the order of the journal, what a new process must know of lots, parts,
// checks, holds, care and the belt on the board at a port, all from one state of the ledger. Lots
// come without their alterations, and steps of cycles without the belt's position.
func (l *Ledger) History(ctx context.Context, port string, fold func(Entry)) error {
	return l.view(ctx, "its history", func(q querier) error {
		rest, err := besideCycles(ctx, q, port)
		if err != nil {
			return err
		}
		until := func(seq int64) {
			n := 0
			for ; n < len(rest) && rest[n].Stamp.Seq < seq; n++ {
				fold(rest[n])
			}
			rest = rest[n:]
		}
		step := func(seq sql.NullInt64, r Record) {
			if seq.Valid {
				until(seq.Int64)
				fold(Entry{Stamp{Seq: seq.Int64}, r})
			}
		}
		err = each(ctx, q, `SELECT cycle, lot, job_index, ordinal, end_number, coalesce(filament_mm, 0), coalesce(machine_ns, 0), coalesce(evidence, ''),
			coalesce(reason, ''), begun_seq, made_seq, discharged_seq, interrupted_seq FROM cycle ORDER BY cycle`, nil, func(rows *sql.Rows) error {
			var b CycleBegun
			var m CycleMade
			var i CycleInterrupted
			var ns int64
			var begun, made, discharged, interrupted sql.NullInt64
			err := rows.Scan(&b.Seq, &b.LotID, &b.JobIndex, &b.Ordinal, &b.EndNumber, &m.FilamentMM, &ns, &m.Evidence, &i.Reason,
				&begun, &made, &discharged, &interrupted)
			m.Seq, m.MachineTime, i.Seq = b.Seq, time.Duration(ns), b.Seq
			step(begun, b)
			step(made, m)
			step(discharged, CycleDischarged{Seq: b.Seq})
			step(interrupted, i)
			return err
		})
		if err == nil {
			for _, p := range rest {
				fold(p)
			}
		}
		return err
	})
}

// besideCycles reads what History returns besides the steps of cycles.
func besideCycles(ctx context.Context, q querier, port string) (list []Entry, err error) {
	lots, _, err := lotsWithoutJobs(ctx, q, "true")
	if err != nil {
		return nil, err
	}
	for _, l := range lots {
		l.Status = LotOpen // as it was then
		list = append(list, Entry{l.Opened, LotOpened{l}})
	}
	checks, err := checksWhere(ctx, q, "true ORDER BY v.visit")
	if err != nil {
		return nil, err
	}
	for _, c := range checks {
		list = append(list, Entry{c.Stamp, CheckRecorded{c}})
	}
	holds, err := holdsWhere(ctx, q, "h.hold > (SELECT max(hold) FROM hold) - ?", historyHolds)
	if err != nil {
		return nil, err
	}
	for _, h := range holds {
		list = append(list, Entry{h.Begun, HoldBegun{ID: h.ID, LotID: h.LotID, State: h.State, Reason: h.Reason, Text: h.Text, AtPart: h.AtPart, TravelMM: h.TravelMM}})
		if h.Ended.Seq > 0 {
			list = append(list, Entry{h.Ended, HoldEnded{ID: h.ID, How: h.How, By: h.By, Override: h.Override}})
		}
	}
	// read adds a record for each row, whose first columns are those of its stamp; into returns it.
	read := func(query string, args []any, scan func(into func(...any) (Stamp, error)) (Record, error)) {
		if err != nil {
			return
		}
		err = each(ctx, q, query, args, func(rows *sql.Rows) error {
			var at stampRow
			r, err := scan(func(columns ...any) (Stamp, error) {
				err := rows.Scan(append(at.into(), columns...)...)
				return at.stamp(), err
			})
			list = append(list, Entry{at.stamp(), r})
			return err
		})
	}
	at := "SELECT " + stampColumns("e") + ", "
	read(at+"c.lot, c.status, c.reason FROM lot_change c JOIN entry e ON e.seq = c.seq WHERE c.seq NOT IN (SELECT opened_seq FROM lot)", nil,
		func(into func(...any) (Stamp, error)) (Record, error) {
			var r LotChanged
			_, err := into(&r.LotID, &r.Status, &r.Reason)
			return r, err
		})
	read(at+"s.lot, s.job_index, s.length_mm, s.tolerance_mm FROM lot_size s JOIN entry e ON e.seq = s.seq", nil,
		func(into func(...any) (Stamp, error)) (Record, error) {
			var r SizeOrdered
			_, err := into(&r.LotID, &r.JobIndex, &r.LengthMM, &r.ToleranceMM)
			return r, err
		})
	read(at+"f.lot, f.wanted, f.why, f.by FROM first_article f JOIN entry e ON e.seq = f.seq", nil,
		func(into func(...any) (Stamp, error)) (Record, error) {
			var r FirstArticle
			_, err := into(&r.LotID, &r.Wanted, &r.Why, &r.By)
			return r, err
		})
	read(at+"c.cycle, c.good, coalesce(c.visit, 0), c.note FROM cycle c JOIN entry e ON e.seq = c.decided_seq", nil,
		func(into func(...any) (Stamp, error)) (Record, error) {
			var r CycleDecided
			_, err := into(&r.Seq, &r.Good, &r.CheckID, &r.Note)
			return r, err
		})
	read(at+"v.kind, v.text FROM event v JOIN entry e ON e.seq = v.seq WHERE v.kind = 'override'", nil,
		func(into func(...any) (Stamp, error)) (Record, error) {
			var r EventNoted
			_, err := into(&r.Kind, &r.Text)
			return r, err
		})
	read(at+"c.name, c.begun, c.travel_mm, c.by FROM care c JOIN entry e ON e.seq = c.seq", nil,
		func(into func(...any) (Stamp, error)) (Record, error) {
			var r CareDone
			at, err := into(&r.Name, &r.Begun, &r.TravelMM, &r.By)
			r.Stamp = at
			return r, err
		})
	read(at+"s.axis, s.old_steps_per_mm, s.new_steps_per_mm, s.travel_mm, s.stored, s.by FROM scale_set s JOIN entry e ON e.seq = s.seq WHERE s.port = ?", []any{port},
		func(into func(...any) (Stamp, error)) (Record, error) {
			r := ScaleSet{Port: port}
			at, err := into(&r.Axis, &r.OldStepsPerMM, &r.NewStepsPerMM, &r.TravelMM, &r.Stored, &r.By)
			r.Stamp = at
			return r, err
		})
	read(at+"s.advance_mm, s.by FROM seam s JOIN entry e ON e.seq = s.seq ORDER BY s.seq DESC LIMIT 1", nil,
		func(into func(...any) (Stamp, error)) (Record, error) {
			var r SeamSeen
			_, err := into(&r.AdvanceMM, &r.By)
			return r, err
		})
	read(at+"s.how, s.travel_mm, s.by FROM surface s JOIN entry e ON e.seq = s.seq ORDER BY s.seq DESC LIMIT 1", nil,
		func(into func(...any) (Stamp, error)) (Record, error) {
			var r SurfaceRenewed
			at, err := into(&r.How, &r.TravelMM, &r.By)
			r.Stamp = at
			return r, err
		})
	read(at+"p.cycle, p.from_mm, p.to_mm FROM (SELECT * FROM laid ORDER BY seq DESC LIMIT ?) p JOIN entry e ON e.seq = p.seq", []any{laidKept},
		func(into func(...any) (Stamp, error)) (Record, error) {
			var r PartLaid
			_, err := into(&r.Seq, &r.FromMM, &r.ToMM)
			return r, err
		})
	slices.SortFunc(list, func(a, b Entry) int { return cmp.Compare(a.Stamp.Seq, b.Stamp.Seq) })
	return list, err
}
