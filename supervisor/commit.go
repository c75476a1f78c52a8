package supervisor

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor/ledger"
)

// owedEvery is how often the ledger is asked whether it takes records again.
const owedEvery = 30 * time.Second

// commitOwed tries the records owed again, if it was not tried just now. Another
// refusal is no news.
func (s *Supervisor) commitOwed(every time.Duration) {
	if len(s.owed) == 0 || time.Since(s.tried) < every {
		return
	}
	s.tried = time.Now()
	ctx, cancel := context.WithTimeout(context.Background(), commitBound)
	defer cancel()
	if err := s.ledger.Commit(ctx, s.owed...); err != nil {
		s.log.Warn("the ledger still accepts no records", zap.Int("owed", len(s.owed)), zap.Error(err))
		return
	}
	s.owed = nil
}

// commitBound is how long one transaction may take on a slow card.
const commitBound = 20 * time.Second

// commit writes records in one transaction, those owed first, and logs what they
// tell. What was refused for want of room or time is owed; what does not fit the
// ledger never will, and is not tried again.
func (s *Supervisor) commit(ctx context.Context, records []ledger.Record) error {
	if len(records) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), commitBound)
	defer cancel()
	all := append(slices.Clone(s.owed), records...)
	if err := s.ledger.Commit(ctx, all...); err != nil {
		if errors.Is(err, ledger.ErrIllegal) || errors.Is(err, ledger.ErrInvalid) || errors.Is(err, ledger.ErrTooMany) {
			return err
		}
		s.owed, s.tried = all, time.Now()
		return fmt.Errorf("%w; it takes effect anyway, and is recorded once the ledger accepts records again", err)
	}
	s.owed = nil
	for _, r := range all {
		switch r := r.(type) {
		case ledger.StateChanged:
			s.log.Info("state", zap.String("state", r.State), zap.String("reason", r.Reason))
		case ledger.EventNoted:
			s.log.Info(r.Text, zap.String("kind", r.Kind))
		case ledger.CycleMade:
			s.log.Info("part made", zap.Int64("cycle", r.Seq), zap.String("evidence", r.Evidence))
		case ledger.CycleInterrupted:
			s.log.Warn("part interrupted", zap.Int64("cycle", r.Seq), zap.String("reason", r.Reason))
		}
	}
	return nil
}
