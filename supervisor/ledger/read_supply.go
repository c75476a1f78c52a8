package ledger

import (
	"context"
	"database/sql"
	"errors"
)

// Supply is what the ledger knows of spool and bin.
type Supply struct {
	// SpoolG is the newest mass of a spool in a check in force, nil when none was ever
	// weighed. FilamentMM is what the cycles begun since have taken: an interrupted one, of
	// which nothing is known, counts as a whole one.
	SpoolG     *float64
	FilamentMM float64
	// BinEmptied reports whether a check ever said so; BinParts is the parts made since the
	// newest one that did.
	BinEmptied bool
	BinParts   int
}

// Supply returns what is left by the last word on spool and bin.
func (l *Ledger) Supply(ctx context.Context) (s Supply, err error) {
	err = l.view(ctx, "spool and bin", func(q querier) error {
		var seq int64
		var spool float64
		err := q.QueryRowContext(ctx, "SELECT v.seq, v.spool_g FROM visit v WHERE v.spool_g IS NOT NULL AND "+inForce+
			" ORDER BY v.visit DESC LIMIT 1").Scan(&seq, &spool)
		switch {
		case err == nil:
			s.SpoolG = &spool
			err = q.QueryRowContext(ctx, `SELECT coalesce(sum(coalesce(c.filament_mm, j.filament_mm)), 0) FROM cycle c
				JOIN lot_job j ON j.lot = c.lot AND j.job_index = c.job_index WHERE c.begun_seq > ?`, seq).Scan(&s.FilamentMM)
		case errors.Is(err, sql.ErrNoRows):
			err = nil
		}
		if err != nil {
			return err
		}
		err = q.QueryRowContext(ctx, "SELECT v.seq FROM visit v WHERE v.bin_emptied = 1 AND "+inForce+" ORDER BY v.visit DESC LIMIT 1").Scan(&seq)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		s.BinEmptied = true
		return q.QueryRowContext(ctx, "SELECT count(*) FROM cycle WHERE made_seq > ?", seq).Scan(&s.BinParts)
	})
	return s, err
}
