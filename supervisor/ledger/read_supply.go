package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
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
		// A correction is about the visit that it corrects: what was taken counts from there.
		const newest = "FROM visit v JOIN visit r ON r.visit = v.root WHERE %s AND " + inForce + " ORDER BY v.root DESC LIMIT 1"
		var seq int64
		var spool float64
		err := q.QueryRowContext(ctx, "SELECT r.seq, v.spool_g "+fmt.Sprintf(newest, "v.spool_g IS NOT NULL")).Scan(&seq, &spool)
		if err == nil {
			var t Taken
			t, err = takenSince(ctx, q, seq)
			s.SpoolG, s.FilamentMM = &spool, t.FilamentMM
		}
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		err = q.QueryRowContext(ctx, "SELECT r.seq "+fmt.Sprintf(newest, "v.bin_emptied = 1")).Scan(&seq)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		t, err := takenSince(ctx, q, seq)
		s.BinEmptied, s.BinParts = true, t.Parts
		return err
	})
	return s, err
}
