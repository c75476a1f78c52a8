package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// Retention says what is old enough to be removed by [Ledger.Trim].
type Retention struct {
	// Before is the time of day from which on everything is kept.
	Before time.Time
	// Newest is how many of the newest entries of the journal are kept whatever their time of day, since the clock of a
	// computer without a battery can be years off. Never less than MinNewest.
	Newest int64
	// Receivers are the configured ones. An alert that one of them has not received yet is kept.
	Receivers []string
	// Pause is the time between two transactions, in which the run has the disk to itself.
	Pause time.Duration
}

// MinNewest is the lower bound of [Retention.Newest].
const MinNewest = 1000

// Trimmed is the number of rows removed.
type Trimmed struct {
	Progress  int // positions of the belt within parts and between them
	Alerts    int // that every receiver has received
	Attempts  int // at delivering them
	Responses int // that somebody has acted
	Events    int // outside of any lot
	States    int // outside of any lot
	Boards    int // what a board reported of itself before its newest report
	Heat      int // outdated models of heaters
	Laid      int // places on the belt of parts long gone
	// Longest is the duration of the longest transaction.
	Longest time.Duration
}

// Rows is the total number of rows removed.
func (t Trimmed) Rows() int {
	return t.Progress + t.Alerts + t.Attempts + t.Responses + t.Events + t.States + t.Boards + t.Heat + t.Laid
}

const (
	// trimRows is how many entries are removed in one transaction: on a slow card some hundredths of a second.
	trimRows = 200
	// trimPage is how many are looked up at a time.
	trimPage = 5000
	// laidKept is how many of the newest parts keep their place on the belt: as many as count for its wear.
	laidKept = 5000
)

// Trim removes old details that no count, report or start depends on. Lots, parts, checks, holds,
// trials, scales, and what belongs to the time of a lot are kept forever. It works in small
// transactions, so that a commit waits for at most one of them. It reports what it removed even if
// it ends with an error.
func (l *Ledger) Trim(ctx context.Context, r Retention) (done Trimmed, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("cannot remove what is old from ledger %s: %w", l.path, err)
		}
	}()
	if l.opts.ReadOnly {
		return done, ErrReadOnly
	}
	known, err := l.spans(ctx)
	if err != nil {
		return done, err
	}
	upTo, err := l.newestBefore(ctx, known.newest-max(r.Newest, MinNewest), r.Before)
	if err != nil {
		return done, err
	}
	for _, c := range trimClasses(&done, known) {
		if err := l.trimClass(ctx, c, r, upTo, known, &done); err != nil {
			return done, err
		}
	}
	return done, nil
}

// newestBefore returns the newest entry, at most upTo, from before a time; 0 for none. It saves
// each kind of detail from reading what is too recent.
func (l *Ledger) newestBefore(ctx context.Context, upTo int64, before time.Time) (seq int64, err error) {
	err = l.view(ctx, "what is old", func(q querier) error {
		err := q.QueryRowContext(ctx, "SELECT seq FROM entry WHERE seq <= ? AND wall_ms < ? ORDER BY seq DESC LIMIT 1", upTo, before.UnixMilli()).Scan(&seq)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		return err
	})
	return seq, err
}

// trimClass removes one kind of detail, page by page.
func (l *Ledger) trimClass(ctx context.Context, c trimClass, r Retention, upTo int64, known *spans, done *Trimmed) error {
	for after := int64(0); ; {
		page, err := l.trimmable(ctx, c, after, upTo, r)
		if err != nil {
			return err
		}
		var old []int64
		for _, row := range page {
			after = row.seq
			if !known.lastOfBoot[row.seq] && (c.needed == nil || !c.needed(row)) {
				old = append(old, row.seq)
			}
		}
		for len(old) > 0 {
			n := min(len(old), trimRows)
			if err := l.remove(ctx, c, old[:n], done); err != nil {
				return err
			}
			*c.count += n
			old = old[n:]
			select {
			case <-time.After(r.Pause):
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		if len(page) < trimPage {
			return nil
		}
	}
}

// remove removes entries and their details in one transaction. SQLite's check of references is off
// in that time, since it would read every part for every entry: the classes name only entries that
// nothing refers to, and Check verifies that.
func (l *Ledger) remove(ctx context.Context, c trimClass, seqs []int64, done *Trimmed) (err error) {
	list, err := json.Marshal(seqs)
	if err != nil {
		return err
	}
	if err := l.acquire(ctx); err != nil {
		return err
	}
	defer l.release()
	begun := time.Now()
	defer func() { done.Longest = max(done.Longest, time.Since(begun)) }()
	plain := context.WithoutCancel(ctx)
	if _, err := l.conn.ExecContext(plain, "PRAGMA foreign_keys = 0"); err != nil {
		return l.classify(err)
	}
	defer func() {
		if _, e := l.conn.ExecContext(plain, "PRAGMA foreign_keys = 1"); e != nil {
			l.broken = e // no record may be written unguarded
			err = errors.Join(err, e)
		}
	}()
	return l.transact(ctx, func(t *txn) error {
		for _, statement := range c.first {
			if err := t.exec(statement, string(list)); err != nil {
				return err
			}
		}
		for _, statement := range []string{c.details, "DELETE FROM entry WHERE seq IN (SELECT value FROM json_each(?))"} {
			if statement == "" {
				continue
			}
			res, err := t.result(statement, string(list))
			if err != nil {
				return err
			}
			if n, err := res.RowsAffected(); err != nil || n != int64(len(seqs)) {
				return errors.Join(err, fmt.Errorf("%d rows of %d are there to remove: %w", n, len(seqs), ErrIllegal))
			}
		}
		return t.exec(`INSERT INTO trimmed (one, up_to, entries) VALUES (1, ?1, ?2)
			ON CONFLICT (one) DO UPDATE SET up_to = max(up_to, ?1), entries = entries + ?2`, seqs[len(seqs)-1], len(seqs))
	})
}

// TrimmedEvents returns how many noted events were removed, by kind.
func (l *Ledger) TrimmedEvents(ctx context.Context) (counts map[string]int, err error) {
	counts = map[string]int{}
	err = l.view(ctx, "how many events were removed", func(q querier) error {
		return each(ctx, q, "SELECT name, n FROM trimmed_total WHERE what = 'event'", nil, func(rows *sql.Rows) error {
			var kind string
			var n int
			err := rows.Scan(&kind, &n)
			counts[kind] = n
			return err
		})
	})
	return counts, err
}
