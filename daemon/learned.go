package main

import (
	"context"
	"errors"

	"beltwarden/config"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// learned reads beside the daemon what it has learned of the heaters, and how long the
// belt has held a part. A job can be
// inspected without, so that a ledger which cannot be read gives words and no error.
func learned(ctx context.Context, cfg *config.Settings) (h job.Heaters, adhesion supervisor.Adhesion, unknown string) {
	unknown = "this machine has not heated and cooled often enough yet"
	l, err := ledger.Open(cfg.Ledger.Path, ledger.Options{ReadOnly: true})
	if err == nil {
		h, err = supervisor.ReadHeat(ctx, l, cfg.Machine.Port)
		if err == nil {
			adhesion, err = supervisor.ReadAdhesion(ctx, l)
		}
		err = errors.Join(err, l.Close())
	}
	switch {
	case errors.Is(err, ledger.ErrNotFound):
		unknown = "the machine has no ledger to learn from yet"
	case err != nil:
		unknown = err.Error()
	}
	return h, adhesion, unknown
}
