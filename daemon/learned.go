package main

import (
	"context"
	"errors"

	"beltwarden/config"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// learnedHeat reads beside the daemon what it has learned of the heaters. A job can be
// inspected without, so that a ledger which cannot be read gives words and no error.
func learnedHeat(ctx context.Context, cfg *config.Settings) (h job.Heaters, unknown string) {
	unknown = "this machine has not been seen to heat and cool often enough"
	l, err := ledger.Open(cfg.Ledger.Path, ledger.Options{ReadOnly: true})
	if err == nil {
		h, err = supervisor.ReadHeat(ctx, l, cfg.Machine.Port)
		err = errors.Join(err, l.Close())
	}
	switch {
	case errors.Is(err, ledger.ErrNotFound):
		unknown = "the machine has no ledger yet, from which it would be known"
	case err != nil:
		unknown = err.Error()
	}
	return h, unknown
}
