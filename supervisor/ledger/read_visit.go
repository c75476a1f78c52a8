package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"time"
)

// checksWhere reads checks; rest holds the condition on visit v, the order and the limit.
func checksWhere(ctx context.Context, q querier, rest string, args ...any) (checks []Check, err error) {
	err = each(ctx, q, `SELECT v.visit, coalesce(v.lot, 0), v.job_index, coalesce(v.corrects, 0),
		coalesce((SELECT w.visit FROM visit w WHERE w.corrects = v.visit), 0), v.at_ms, v.offset_mm, v.lengths_mm, v.good,
		v.scrap, (SELECT d.after_ms FROM detached d WHERE d.visit = v.visit), `+sizeWord+`, v.realigned, v.belt_cleared, v.spool_g, v.bin_emptied, v.note, v.by, v.travel_mm, v.advance_mm,
		v.cycles_made, `+stampColumns("e")+" FROM visit v JOIN entry e ON e.seq = v.seq WHERE "+rest, args,
		func(rows *sql.Rows) error {
			var c Check
			var at stampRow
			var atMS int64
			var lengths, scrap string
			var detached, aside sql.NullString
			err := rows.Scan(append([]any{&c.ID, &c.LotID, &c.JobIndex, &c.Corrects, &c.CorrectedBy, &atMS, &c.OffsetMM,
				&lengths, &c.Good, &scrap, &detached, &aside, &c.LengthsAccepted, &c.Realigned, &c.BeltCleared, &c.SpoolG, &c.BinEmptied, &c.Note, &c.By,
				&c.TravelMM, &c.AdvanceMM, &c.CyclesMade}, at.into()...)...)
			if err != nil {
				return err
			}
			c.At, c.Stamp = time.UnixMilli(atMS), at.stamp()
			if lengths != "[]" {
				if err := json.Unmarshal([]byte(lengths), &c.LengthsMM); err != nil {
					return err
				}
			}
			if scrap != "{}" {
				if err := json.Unmarshal([]byte(scrap), &c.Scrap); err != nil {
					return err
				}
			}
			if c.SetAside, err = setAside(aside); err != nil {
				return err
			}
			c.DetachedAfter, err = detachedAfter(detached)
			checks = append(checks, c)
			return err
		})
	return checks, err
}

// Checks returns the newest limit checks of a lot in the order of the journal, those since corrected among them; of all
// visits with lotID 0. A limit of 0 is none.
func (l *Ledger) Checks(ctx context.Context, lotID int64, limit int) (checks []Check, err error) {
	err = l.view(ctx, "the checks", func(q querier) (err error) {
		checks, err = checksWhere(ctx, q, `v.visit IN (SELECT visit FROM visit WHERE ?1 = 0 OR lot = ?1
			ORDER BY visit DESC LIMIT ?2) ORDER BY v.visit`, lotID, limited(limit))
		return err
	})
	return checks, err
}

func holdsWhere(ctx context.Context, q querier, where string, args ...any) (holds []Hold, err error) {
	err = each(ctx, q, `SELECT h.hold, coalesce(h.lot, 0), h.state, h.reason, h.text, h.at_part, h.travel_mm, h.how, h.by,
		h.override, `+stampColumns("b")+", "+stampColumns("e")+` FROM hold h JOIN entry b ON b.seq = h.begun_seq
		LEFT JOIN entry e ON e.seq = h.ended_seq WHERE `+where+" ORDER BY h.hold", args, func(rows *sql.Rows) error {
		var h Hold
		var begun, ended stampRow
		into := []any{&h.ID, &h.LotID, &h.State, &h.Reason, &h.Text, &h.AtPart, &h.TravelMM, &h.How, &h.By, &h.Override}
		err := rows.Scan(append(append(into, begun.into()...), ended.into()...)...)
		h.Begun, h.Ended = begun.stamp(), ended.stamp()
		holds = append(holds, h)
		return err
	})
	return holds, err
}

// Holds returns the holds of a lot, the oldest first; of all lots and of none with lotID 0.
func (l *Ledger) Holds(ctx context.Context, lotID int64) (holds []Hold, err error) {
	err = l.view(ctx, "the holds", func(q querier) (err error) {
		if lotID == 0 {
			holds, err = holdsWhere(ctx, q, "true")
		} else {
			holds, err = holdsWhere(ctx, q, "h.lot = ?", lotID)
		}
		return err
	})
	return holds, err
}

// Board returns what the board on a port last said of itself, nil when it was never seen there.
func (l *Ledger) Board(ctx context.Context, port string) (board *BoardSeen, err error) {
	err = l.view(ctx, "the board", func(q querier) error {
		return each(ctx, q, "SELECT b.port, b.firmware, b.capabilities, b.steps_per_mm, "+stampColumns("e")+` FROM board b
			JOIN entry e ON e.seq = b.seq WHERE b.port = ? ORDER BY b.seq DESC LIMIT 1`, []any{port},
			func(rows *sql.Rows) error {
				var b BoardSeen
				var at stampRow
				var capabilities string
				if err := rows.Scan(append([]any{&b.Port, &b.Firmware, &capabilities, &b.StepsPerMM}, at.into()...)...); err != nil {
					return err
				}
				b.Stamp = at.stamp()
				board = &b
				if capabilities == "{}" {
					return nil
				}
				return json.Unmarshal([]byte(capabilities), &b.Capabilities)
			})
	})
	return board, err
}
