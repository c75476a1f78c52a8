package ledger

import (
	"context"
	"database/sql"
)

// Journal returns what happened, in words, in the order of the ledger: the newest limit of noted events, of states that the
// machine came into (kind "state") and of visits (kind "check"). States in which nobody has an interest for long, on the way
// from one to another, are left out.
func (l *Ledger) Journal(ctx context.Context, limit int) (events []Event, err error) {
	const query = `
		SELECT seq, kind, text FROM (
			SELECT * FROM (SELECT seq, kind, text FROM event ORDER BY seq DESC LIMIT ?1)
			UNION ALL
			SELECT * FROM (SELECT seq, 'state', state || CASE reason WHEN '' THEN '' ELSE ': ' || reason END FROM state
				WHERE state NOT IN ('Holding', 'Suspending', 'Unholding', 'Unsuspending', 'Completing', 'Clearing', 'Stopping', 'Aborting')
				ORDER BY seq DESC LIMIT ?1)
			UNION ALL
			SELECT * FROM (SELECT seq, 'check', 'Check ' || visit || CASE "by" WHEN '' THEN '' ELSE ' by ' || "by" END || ': '
				|| good || ' good, ' || scrap_total || ' scrap'
				|| CASE WHEN offset_mm IS NULL THEN '' ELSE printf(', offset %+.1f mm', offset_mm) END
				|| CASE realigned WHEN 0 THEN '' ELSE ', realigned' END
				|| CASE belt_cleared WHEN 0 THEN '' ELSE ', belt cleared' END
				|| CASE WHEN corrects IS NULL THEN '' ELSE ', in the place of check ' || corrects END FROM visit
				ORDER BY seq DESC LIMIT ?1)
			ORDER BY seq DESC LIMIT ?1)`
	err = l.view(ctx, "what happened", func(q querier) error {
		events, err = readEvents(ctx, q, "("+query+") v JOIN entry e ON e.seq = v.seq ORDER BY v.seq", limited(limit))
		return err
	})
	return events, err
}

// Events returns noted events in the order of the journal: with afterSeq 0 the newest limit of them, otherwise the first
// limit of those after it, so that a reader who goes on from the last Seq misses none. A limit of 0 is none.
func (l *Ledger) Events(ctx context.Context, limit int, afterSeq int64) (events []Event, err error) {
	from := "event v JOIN entry e ON e.seq = v.seq WHERE v.seq > ? ORDER BY v.seq LIMIT ?"
	if afterSeq == 0 {
		from = `event v JOIN entry e ON e.seq = v.seq
			WHERE v.seq IN (SELECT seq FROM event WHERE seq > ? ORDER BY seq DESC LIMIT ?) ORDER BY v.seq`
	}
	err = l.view(ctx, "the events", func(q querier) error {
		events, err = readEvents(ctx, q, from, afterSeq, limited(limit))
		return err
	})
	return events, err
}

// EventsOf returns the newest limit of the noted events of a kind, the oldest of them first.
func (l *Ledger) EventsOf(ctx context.Context, kind string, limit int) (events []Event, err error) {
	if limit <= 0 {
		return nil, nil
	}
	err = l.view(ctx, "the events of a kind", func(q querier) error {
		events, err = readEvents(ctx, q, `event v JOIN entry e ON e.seq = v.seq
			WHERE v.seq IN (SELECT seq FROM event WHERE kind = ? ORDER BY seq DESC LIMIT ?) ORDER BY v.seq`, kind, limit)
		return err
	})
	return events, err
}

// readEvents reads events from what stands behind FROM: v has their kind and text, e their entry.
func readEvents(ctx context.Context, q querier, from string, args ...any) (events []Event, err error) {
	err = each(ctx, q, "SELECT "+stampColumns("e")+", v.kind, v.text FROM "+from, args, func(rows *sql.Rows) error {
		var at stampRow
		var v Event
		err := rows.Scan(append(at.into(), &v.Kind, &v.Text)...)
		v.Stamp = at.stamp()
		events = append(events, v)
		return err
	})
	return events, err
}
