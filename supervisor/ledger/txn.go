package ledger

import (
	"context"
	"database/sql"
)

// txn is one transaction on the writing connection. It is used by one goroutine, which holds the ledger's turn.
type txn struct {
	ctx    context.Context
	l      *Ledger
	seq    int64 // of the record being applied
	wallMS int64
	monoMS int64

	moves, others int // records applied: of the belt's movement, and of all else
}

func newTxn(ctx context.Context, l *Ledger) *txn {
	now := l.opts.Now()
	return &txn{ctx: ctx, l: l, wallMS: now.UnixMilli(), monoMS: max(now.Sub(l.start).Milliseconds(), 0)}
}

// redundant is implemented by records that may be written again after a restart without effect.
type redundant interface {
	// alreadyIn reports whether the ledger holds the record.
	alreadyIn(t *txn) (bool, error)
}

// record enters one record in the journal and writes its rows.
func (t *txn) record(r Record) error {
	if d, ok := r.(redundant); ok {
		if in, err := d.alreadyIn(t); in || err != nil {
			return err
		}
	}
	res, err := t.result("INSERT INTO entry (boot, kind, wall_ms, mono_ms) VALUES (?, ?, ?, ?)",
		t.l.boot, r.kind(), t.wallMS, t.monoMS)
	if err != nil {
		return err
	}
	if t.seq, err = res.LastInsertId(); err != nil {
		return err
	}
	if _, moved := r.(BeltMoved); moved {
		t.moves++
	} else {
		t.others++
	}
	return r.apply(t)
}

// prepared returns the statement, compiled once per connection.
func (t *txn) prepared(query string) (*sql.Stmt, error) {
	if s := t.l.cached[query]; s != nil {
		return s, nil
	}
	s, err := t.l.conn.PrepareContext(t.ctx, query)
	if err != nil {
		return nil, err
	}
	t.l.cached[query] = s
	return s, nil
}

func (t *txn) result(query string, args ...any) (sql.Result, error) {
	s, err := t.prepared(query)
	if err != nil {
		return nil, err
	}
	return s.ExecContext(t.ctx, args...)
}

func (t *txn) exec(query string, args ...any) error {
	_, err := t.result(query, args...)
	return err
}

// change executes an update that must affect exactly one row, and reports whether it did.
func (t *txn) change(query string, args ...any) (bool, error) {
	res, err := t.result(query, args...)
	if err != nil {
		return false, err
	}
	n, err := res.RowsAffected()
	return n == 1, err
}

// row reads one row into dest; sql.ErrNoRows when there is none.
func (t *txn) row(query string, args []any, dest ...any) error {
	s, err := t.prepared(query)
	if err != nil {
		return err
	}
	return s.QueryRowContext(t.ctx, args...).Scan(dest...)
}
