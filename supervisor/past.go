package supervisor

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"beltwarden/supervisor/ledger"
)

// Past is what the ledger has of the visits, for a check that corrects an earlier one. The
// machine keeps only what follows from them; to take one back it needs them all again.
type Past struct {
	Corrected ledger.Check   // ID 0: there is no check of the number
	Checks    []ledger.Check // all in force, a correction where the corrected one stood
	Counts    ledger.Counts  // of the lot of the corrected check
	// Taken is by check what was taken from spool and bin since, for those that may come to
	// be the newest word on either.
	Taken map[int64]ledger.Taken
}

// ReadPast reads what a correction of the check rests on.
func ReadPast(ctx context.Context, l Ledger, id int64) (*Past, error) {
	p := &Past{Taken: map[int64]ledger.Taken{}}
	var err error
	if p.Corrected, err = l.CheckOf(ctx, id); errors.Is(err, ledger.ErrNotFound) {
		return p, nil
	} else if err != nil {
		return nil, err
	}
	if p.Checks, err = l.ChecksInForce(ctx); err != nil {
		return nil, err
	}
	if lot := p.Corrected.LotID; lot != 0 {
		if p.Counts, err = l.Counts(ctx, lot); err != nil {
			return nil, err
		}
	}
	words := []int64{id}
	for _, has := range []func(ledger.Check) bool{weighs, empties} {
		if c := newestOf(p.Checks, func(c ledger.Check) bool { return c.ID != id && has(c) }); c != nil {
			words = append(words, c.ID)
		}
	}
	for _, check := range words {
		if p.Taken[check], err = l.TakenSince(ctx, check); err != nil {
			return nil, err
		}
	}
	return p, nil
}

func weighs(c ledger.Check) bool  { return c.SpoolG != nil }
func empties(c ledger.Check) bool { return c.BinEmptied }

// newestOf returns the last check of which has holds, nil when none does.
func newestOf(checks []ledger.Check, has func(ledger.Check) bool) *ledger.Check {
	for i, c := range slices.Backward(checks) {
		if has(c) {
			return &checks[i]
		}
	}
	return nil
}

// lookUp adds to a request what the machine cannot know by itself.
func (s *Supervisor) lookUp(r *Request) error {
	if r.Visit == nil || r.Visit.Corrects == 0 {
		return nil
	}
	if len(s.owed) > 0 {
		return &Refusal{What: "correct the check", Why: "the ledger has no room, and its last records are not written yet", Remedy: "make room on its disk, then correct the check"}
	}
	ctx, cancel := context.WithTimeout(context.Background(), commitBound)
	defer cancel()
	past, err := ReadPast(ctx, s.ledger, r.Visit.Corrects)
	if err != nil {
		return fmt.Errorf("cannot look up the check to correct: %w", err)
	}
	r.Past = past
	return nil
}
