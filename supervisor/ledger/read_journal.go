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
		return each(ctx, q, "SELECT "+stampColumns("e")+", v.kind, v.text FROM ("+query+") v JOIN entry e ON e.seq = v.seq ORDER BY v.seq",
			[]any{limited(limit)}, func(rows *sql.Rows) error {
				var at stampRow
				var v Event
				err := rows.Scan(append(at.into(), &v.Kind, &v.Text)...)
				v.Stamp = at.stamp()
				events = append(events, v)
				return err
			})
	})
	return events, err
}
