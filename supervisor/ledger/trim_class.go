package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"sort"
	"strconv"
)

// trimClass is one kind of detail that can be old.
type trimClass struct {
	count *int // of Trimmed
	// from names the rows as v, joined to their entry e, and where what makes one removable beside its age. ?4 is the
	// list of configured receivers.
	from, where string
	next        string // expression for the next row, where needed wants to know it
	// needed reports whether a row must stay anyway; nil: none must.
	needed func(trimRow) bool
	// first runs before the rows are removed, details removes them; both get the list of entries.
	first   []string
	details string
}

// trimRow is an entry that may be removed, with the next one of its kind, 0 if there is none or it
// does not matter.
type trimRow struct{ seq, next int64 }

// spans are the stretches of the journal in which lots were open.
type spans struct {
	newest     int64 // entry
	lastOfBoot map[int64]bool
	lots       []lotSpan // in order
}

type lotSpan struct{ from, to int64 }

// beforeLot is how many entries before its opening belong to a lot: who opened it, and related
// notes.
const beforeLot = 2

// spans reads where lots begin and end. The last entry of a start stays, since it shows how long
// that start lasted.
func (l *Ledger) spans(ctx context.Context) (*spans, error) {
	s := &spans{lastOfBoot: map[int64]bool{}}
	err := l.view(ctx, "the spans of lots", func(q querier) error {
		err := each(ctx, q, "SELECT max(seq) FROM entry GROUP BY boot", nil, func(rows *sql.Rows) error {
			var seq int64
			err := rows.Scan(&seq)
			s.lastOfBoot[seq] = true
			s.newest = max(s.newest, seq)
			return err
		})
		if err != nil {
			return err
		}
		return each(ctx, q, `SELECT opened_seq, CASE WHEN status IN ('closed', 'ended') THEN changed_seq ELSE 9223372036854775807 END
			FROM lot ORDER BY opened_seq`, nil, func(rows *sql.Rows) error {
			var one lotSpan
			err := rows.Scan(&one.from, &one.to)
			one.from -= beforeLot
			s.lots = append(s.lots, one)
			return err
		})
	})
	return s, err
}

// within reports whether an entry was written while a lot was open. Lots do not overlap: of those that began before it, it
// can be in the last alone.
func (s *spans) within(seq int64) bool {
	i := sort.Search(len(s.lots), func(i int) bool { return s.lots[i].from > seq })
	return i > 0 && seq <= s.lots[i-1].to
}

// begins reports whether a lot was opened from one entry on and before another.
func (s *spans) begins(from, before int64) bool {
	i := sort.Search(len(s.lots), func(i int) bool { return s.lots[i].from+beforeLot >= from })
	return i < len(s.lots) && s.lots[i].from < before
}

// trimClasses are all kinds, in the order of removal: an alert before the attempts at it.
func trimClasses(t *Trimmed, known *spans) []trimClass {
	of := func(table string) string {
		return "DELETE FROM " + table + " WHERE seq IN (SELECT value FROM json_each(?))"
	}
	kept := func(table, by string) string {
		return "v.seq NOT IN (SELECT max(seq) FROM " + table + " GROUP BY " + by + ")"
	}
	const listed = "(SELECT value FROM json_each(?))"
	return []trimClass{
		// A position says nothing that those beside it do not, unless travel became uncertain with it, or a lot begins or
		// ends before the next one.
		{count: &t.Progress, from: "belt v", details: of("belt"),
			where: `e.kind = 'belt_moved' AND v.seq < (SELECT max(seq) FROM belt) AND v.uncertain_mm = (SELECT p.uncertain_mm FROM belt p WHERE p.seq < v.seq ORDER BY p.seq DESC LIMIT 1)
				AND NOT EXISTS (SELECT 1 FROM lot_change c WHERE c.seq > v.seq AND c.seq < (SELECT min(n.seq) FROM belt n WHERE n.seq > v.seq))`},
		{count: &t.Alerts, from: "alert v", details: of("alert"),
			where: `NOT EXISTS (SELECT 1 FROM channel c WHERE c.channel IN (SELECT value FROM json_each(?4)) AND c.from_seq < v.seq
				AND NOT EXISTS (SELECT 1 FROM delivery d WHERE d.alert = v.alert AND d.channel = c.channel AND d.delivered_seq IS NOT NULL))
				AND v.alert NOT IN (SELECT d.alert FROM delivery d WHERE d.delivered_seq IN (SELECT max(delivered_seq) FROM delivery WHERE how = 'sent' GROUP BY channel))`,
			first: []string{`INSERT INTO trimmed_total (what, name, n) SELECT 'delivery', channel, count(*) FROM delivery
				WHERE alert IN (SELECT alert FROM alert WHERE seq IN ` + listed + `) AND delivered_seq IS NOT NULL AND how <> 'unneeded' GROUP BY channel
				ON CONFLICT (what, name) DO UPDATE SET n = n + excluded.n`,
				"DELETE FROM delivery WHERE alert IN (SELECT alert FROM alert WHERE seq IN " + listed + ")"}},
		{count: &t.Attempts, from: "entry v",
			where: `e.kind IN ('alert_tried', 'alert_delivered') AND v.seq NOT IN (SELECT tried_seq FROM delivery WHERE tried_seq IS NOT NULL
				UNION ALL SELECT delivered_seq FROM delivery WHERE delivered_seq IS NOT NULL)`},
		{count: &t.Responses, from: "response v", where: "v.seq < (SELECT max(seq) FROM response)", details: of("response")},
		{count: &t.Events, from: "event v", where: "v.kind NOT IN ('correction', 'override', 'recovery')", details: of("event"),
			needed: func(r trimRow) bool { return known.within(r.seq) },
			first: []string{`INSERT INTO trimmed_total (what, name, n) SELECT 'event', kind, count(*) FROM event WHERE seq IN ` + listed + ` GROUP BY kind
				ON CONFLICT (what, name) DO UPDATE SET n = n + excluded.n`}},
		{count: &t.States, from: "state v", where: "v.seq < (SELECT max(seq) FROM state)", details: of("state"),
			next: "(SELECT min(n.seq) FROM state n WHERE n.seq > v.seq)",
			// A lot's time begins in the state that the machine was in when it was opened.
			needed: func(r trimRow) bool { return known.within(r.seq) || known.begins(r.seq, r.next) }},
		{count: &t.Boards, from: "board v", where: kept("board", "port"), details: of("board")},
		{count: &t.Heat, from: "heat v", where: kept("heat", "port, heater"), details: of("heat")},
		{count: &t.Laid, from: "laid v", details: of("laid"),
			where: "v.seq < (SELECT min(seq) FROM (SELECT seq FROM laid ORDER BY seq DESC LIMIT " + strconv.Itoa(laidKept) + "))"},
	}
}

// trimmable reads up to a page of removable entries, after an entry.
func (l *Ledger) trimmable(ctx context.Context, c trimClass, after, upTo int64, r Retention) (page []trimRow, err error) {
	receivers, err := json.Marshal(append([]string{}, r.Receivers...))
	if err != nil {
		return nil, err
	}
	next := "0"
	if c.next != "" {
		next = c.next
	}
	query := "SELECT v.seq, coalesce(" + next + ", 0) FROM " + c.from + ` JOIN entry e ON e.seq = v.seq WHERE v.seq > ?1 AND v.seq <= ?2
		AND e.wall_ms < ?3 AND ?4 IS NOT NULL AND ` + c.where + fmt.Sprintf(" ORDER BY v.seq LIMIT %d", trimPage)
	err = l.view(ctx, "what is old", func(q querier) error {
		return each(ctx, q, query, []any{after, upTo, r.Before.UnixMilli(), string(receivers)}, func(rows *sql.Rows) error {
			var row trimRow
			err := rows.Scan(&row.seq, &row.next)
			page = append(page, row)
			return err
		})
	})
	return page, err
}
