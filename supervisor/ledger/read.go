package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// querier is the part of a connection that reading needs.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
}

// reading returns a connection for reading; done returns it. A ledger in memory has one connection,
// so reading takes its turn there.
func (l *Ledger) reading(ctx context.Context) (conn *sql.Conn, done func(), err error) {
	if l.readers == nil {
		if err := l.acquire(ctx); err != nil {
			return nil, nil, err
		}
		return l.conn, l.release, nil
	}
	if l.isClosed() {
		return nil, nil, ErrClosed
	}
	if conn, err = l.readers.Conn(ctx); err != nil {
		return nil, nil, err
	}
	return conn, func() { _ = conn.Close() }, nil // the pool, which gets it back, has nothing to report
}

// view runs do on one state of the ledger: later commits are not visible.
func (l *Ledger) view(ctx context.Context, what string, do func(querier) error) (err error) {
	defer func() {
		if err != nil && l.isClosed() {
			err = ErrClosed // whatever the driver reports for a connection that was closed
		}
		if err != nil {
			err = fmt.Errorf("cannot read %s from ledger %s: %w", what, l.path, l.classify(err))
		}
	}()
	conn, done, err := l.reading(ctx)
	if err != nil {
		return err
	}
	defer done()
	if _, err := conn.ExecContext(ctx, "BEGIN"); err != nil {
		return err
	}
	// Nothing was written, so a failure to end loses nothing; the context may have ended.
	defer func() { _, _ = conn.ExecContext(context.WithoutCancel(ctx), "ROLLBACK") }()
	return do(conn)
}

// each calls scan for every row of the query.
func each(ctx context.Context, q querier, query string, args []any, scan func(*sql.Rows) error) (err error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// stampRow scans the four columns of stampColumns; all are NULL when the step was not taken.
type stampRow struct{ seq, boot, wallMS, monoMS sql.NullInt64 }

// stampColumns selects a journal entry joined under the given name.
func stampColumns(entry string) string {
	return fmt.Sprintf("%[1]s.seq, %[1]s.boot, %[1]s.wall_ms, %[1]s.mono_ms", entry)
}

func (s *stampRow) into() []any { return []any{&s.seq, &s.boot, &s.wallMS, &s.monoMS} }

func (s *stampRow) stamp() Stamp {
	if !s.seq.Valid {
		return Stamp{}
	}
	return Stamp{Seq: s.seq.Int64, Boot: s.boot.Int64, At: time.UnixMilli(s.wallMS.Int64),
		SinceStart: time.Duration(s.monoMS.Int64) * time.Millisecond}
}

// limited converts a limit to SQL, where a negative one means none.
func limited(limit int) int {
	if limit <= 0 {
		return -1
	}
	return limit
}

// Belt returns the newest belt position. Without any, nothing was ever printed, and the position is
// that of a new belt, Known.
func (l *Ledger) Belt(ctx context.Context) (b Belt, err error) {
	err = l.view(ctx, "the belt", func(q querier) error {
		err := q.QueryRowContext(ctx, `SELECT travel_mm, advance_mm, since_realign_mm, since_check_mm, uncertain_mm, known
			FROM belt ORDER BY seq DESC LIMIT 1`).Scan(&b.TravelMM, &b.AdvanceMM, &b.SinceRealignMM, &b.SinceCheckMM,
			&b.UncertainMM, &b.Known)
		if errors.Is(err, sql.ErrNoRows) {
			b.Known = true // nothing was ever printed
			return nil
		}
		return err
	})
	return b, err
}

// NextIDs returns the identifiers of the next lot, cycle, hold and check.
func (l *Ledger) NextIDs(ctx context.Context) (n NextIDs, err error) {
	err = l.view(ctx, "the next numbers", func(q querier) error {
		return q.QueryRowContext(ctx, `SELECT (SELECT coalesce(max(lot), 0) + 1 FROM lot),
			(SELECT coalesce(max(cycle), 0) + 1 FROM cycle), (SELECT coalesce(max(hold), 0) + 1 FROM hold),
			(SELECT coalesce(max(visit), 0) + 1 FROM visit)`).Scan(&n.Lot, &n.Cycle, &n.Hold, &n.Check)
	})
	return n, err
}

// LastState returns the newest state of the machine, nil when none was recorded.
func (l *Ledger) LastState(ctx context.Context) (state *State, err error) {
	err = l.view(ctx, "the last state", func(q querier) error {
		return each(ctx, q, "SELECT "+stampColumns("e")+`, s.state, s.reason FROM state s JOIN entry e ON e.seq = s.seq
			ORDER BY s.seq DESC LIMIT 1`, nil, func(rows *sql.Rows) error {
			var at stampRow
			var s State
			err := rows.Scan(append(at.into(), &s.State, &s.Reason)...)
			s.Stamp = at.stamp()
			state = &s
			return err
		})
	})
	return state, err
}

// Boots returns every start of a process that wrote to the ledger, the oldest first.
func (l *Ledger) Boots(ctx context.Context) (boots []Boot, err error) {
	err = l.view(ctx, "the starts", func(q querier) error {
		return each(ctx, q, "SELECT boot, boot_id, start_id, wall_ms FROM boot ORDER BY boot", nil,
			func(rows *sql.Rows) error {
				var b Boot
				var wallMS int64
				err := rows.Scan(&b.Number, &b.BootID, &b.StartID, &wallMS)
				b.At = time.UnixMilli(wallMS)
				boots = append(boots, b)
				return err
			})
	})
	return boots, err
}
