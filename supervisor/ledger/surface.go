package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// Detached is the scrap reason of a part that came off the belt while it was made.
const Detached = "detached"

// Interrupted is the scrap reason of an interrupted part that was decided to be scrap.
const Interrupted = "interrupted"

// SurfaceRenewed records that the belt's surface was renewed, so that earlier observations of its
// adhesion no longer apply. The newest one counts. Stamp is set by reading and ignored by writing.
type SurfaceRenewed struct {
	How      string  // such as cleaned or taped
	TravelMM float64 // belt travel at that time
	By       string

	Stamp Stamp
}

func (SurfaceRenewed) kind() string { return "surface_renewed" }

func (r SurfaceRenewed) faults() []string {
	var f faultList
	f.text("How", r.How)
	f.notNegative("TravelMM", r.TravelMM)
	return f
}

func (r SurfaceRenewed) apply(t *txn) error {
	return t.exec("INSERT INTO surface (seq, how, travel_mm, by) VALUES (?, ?, ?, ?)", t.seq, r.How, r.TravelMM, r.By)
}

// applyDetached stores when the parts of a check came off.
func (t *txn) applyDetached(c Check) error {
	if len(c.DetachedAfter) == 0 {
		return nil
	}
	after := make([]int64, len(c.DetachedAfter))
	for i, d := range c.DetachedAfter {
		after[i] = d.Milliseconds()
	}
	text, err := json.Marshal(after)
	if err != nil {
		return err
	}
	if err := t.exec("INSERT INTO detached (visit, after_ms) VALUES (?, ?)", c.ID, string(text)); err != nil {
		return fmt.Errorf("check %d: %w", c.ID, err)
	}
	return nil
}

// detachedAfter reads what applyDetached stored; NULL means nothing.
func detachedAfter(text sql.NullString) (after []time.Duration, err error) {
	var ms []int64
	if text.Valid {
		err = json.Unmarshal([]byte(text.String), &ms)
	}
	for _, v := range ms {
		after = append(after, time.Duration(v)*time.Millisecond)
	}
	return after, err
}

func surfaceOf(ctx context.Context, q querier) (*SurfaceRenewed, error) {
	s, at := SurfaceRenewed{}, stampRow{}
	err := q.QueryRowContext(ctx, "SELECT s.how, s.travel_mm, s.by, "+stampColumns("e")+` FROM surface s JOIN entry e ON e.seq = s.seq
		ORDER BY s.seq DESC LIMIT 1`).Scan(append([]any{&s.How, &s.TravelMM, &s.By}, at.into()...)...)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	s.Stamp = at.stamp()
	return &s, err
}

// Stay is how long the parts of one job of a lot have stayed on the belt's present surface.
type Stay struct {
	LotID    int64
	JobIndex int
	Cycles   []time.Duration // machine times of the parts made on it, in their order
	Backlog  int             // parts made before, which no check had counted by then
	// Good, Scrap and Detached are what checks in force have found since: good, scrap that did
	// stay, and parts that came off. After are the known times at which they came off.
	Good, Scrap, Detached int
	After                 []time.Duration
}

// Stays returns how long parts have stayed since the surface was renewed (nil: never), all from one
// state of the ledger.
func (l *Ledger) Stays(ctx context.Context) (surface *SurfaceRenewed, stays []Stay, err error) {
	err = l.view(ctx, "how parts stayed on the belt", func(q querier) (err error) {
		if surface, err = surfaceOf(ctx, q); err != nil {
			return err
		}
		var since int64
		if surface != nil {
			since = surface.Stamp.Seq
		}
		stays, err = staysSince(ctx, q, since)
		return err
	})
	return surface, stays, err
}

func staysSince(ctx context.Context, q querier, since int64) ([]Stay, error) {
	type key struct {
		lot int64
		job int
	}
	at := map[key]int{}
	var stays []Stay
	stay := func(lot int64, job int) *Stay {
		k := key{lot, job}
		if _, ok := at[k]; !ok {
			at[k] = len(stays)
			stays = append(stays, Stay{LotID: lot, JobIndex: job})
		}
		return &stays[at[k]]
	}
	err := each(ctx, q, `SELECT lot, job_index, machine_ns, made_seq > ? FROM cycle WHERE state IN (?, ?) ORDER BY cycle`,
		[]any{since, CycleStateMade, CycleStateDischarged}, func(rows *sql.Rows) error {
			var lot, ns int64
			var job int
			var on bool
			if err := rows.Scan(&lot, &job, &ns, &on); err != nil {
				return err
			}
			if s := stay(lot, job); on {
				s.Cycles = append(s.Cycles, time.Duration(ns))
			} else {
				s.Backlog++
			}
			return nil
		})
	if err != nil {
		return nil, err
	}
	err = each(ctx, q, `SELECT v.lot, coalesce(v.job_index, 0), r.seq > ?, v.good, v.scrap_total, coalesce(json_extract(v.scrap, '$.`+Detached+`'), 0),
		d.after_ms FROM visit v JOIN visit r ON r.visit = v.root LEFT JOIN detached d ON d.visit = v.visit
		WHERE v.lot IS NOT NULL AND `+inForce+" ORDER BY v.root", []any{since}, func(rows *sql.Rows) error {
		var lot int64
		var job, good, scrap, off int
		var on bool
		var text sql.NullString
		if err := rows.Scan(&lot, &job, &on, &good, &scrap, &off, &text); err != nil {
			return err
		}
		s := stay(lot, job)
		if !on {
			s.Backlog -= good + scrap
			return nil
		}
		after, err := detachedAfter(text)
		s.Good, s.Scrap, s.Detached, s.After = s.Good+good, s.Scrap+scrap-off, s.Detached+off, append(s.After, after...)
		return err
	})
	return stays, err
}
