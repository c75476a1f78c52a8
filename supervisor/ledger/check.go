package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
)

// invariant is a statement that holds for every ledger of this program; the query returns what
// violates it.
type invariant struct {
	what  string
	query string
}

// detailTables holds, for each kind of journal entry, the table and column that carry its details.
var detailTables = []struct{ kind, table, column string }{
	{"lot_opened", "lot", "opened_seq"}, {"lot_changed", "lot_change", "seq"},
	{"cycle_begun", "cycle", "begun_seq"}, {"cycle_made", "cycle", "made_seq"},
	{"cycle_discharged", "cycle", "discharged_seq"}, {"cycle_interrupted", "cycle", "interrupted_seq"},
	{"cycle_decided", "cycle", "decided_seq"}, {"belt_moved", "belt", "seq"}, {"hold_begun", "hold", "begun_seq"},
	{"hold_ended", "hold", "ended_seq"}, {"check_recorded", "visit", "seq"}, {"alert_queued", "alert", "seq"},
	{"event_noted", "event", "seq"}, {"responded", "response", "seq"}, {"state_changed", "state", "seq"}, {"board_seen", "board", "seq"},
	{"heat_learned", "heat", "seq"}, {"seam_seen", "seam", "seq"}, {"part_laid", "laid", "seq"}, {"size_ordered", "lot_size", "seq"}, {"scale_set", "scale_set", "seq"},
	{"surface_renewed", "surface", "seq"}, {"care_done", "care", "seq"}, {"first_article", "first_article", "seq"}, {"trial_begun", "trial", "begun_seq"}, {"trial_ran", "trial", "ran_seq"}, {"trial_ended", "trial", "ended_seq"},
}

// beltKinds are the entries that carry a belt position.
const beltKinds = "('belt_moved', 'cycle_begun', 'cycle_made', 'cycle_discharged', 'cycle_interrupted')"

// trimmedUpTo is the entry after which none was removed because it was old.
const trimmedUpTo = "coalesce((SELECT up_to FROM trimmed), 0)"

func invariants() []invariant {
	list := []invariant{
		{"the journal has a gap or does not begin at 1",
			`SELECT 'entry ' || seq FROM (SELECT seq, row_number() OVER (ORDER BY seq) + ` + trimmedUpTo + ` AS n FROM entry
			WHERE seq > ` + trimmedUpTo + `) WHERE seq <> n LIMIT 1`},
		{"more or fewer entries are missing than were removed because they were old",
			`SELECT 'entries up to ' || up_to FROM trimmed WHERE entries <> up_to - (SELECT count(*) FROM entry WHERE seq <= up_to)
			OR up_to > (SELECT max(seq) FROM entry)`},
		{"the starts in the journal are out of order",
			`SELECT 'entry ' || seq FROM (SELECT seq, boot, lag(boot) OVER (ORDER BY seq) AS before FROM entry)
			WHERE boot < before`},
		{"monotonic time runs backwards within a start",
			`SELECT 'entry ' || seq FROM (SELECT seq, mono_ms, lag(mono_ms) OVER (PARTITION BY boot ORDER BY seq) AS before
			FROM entry) WHERE mono_ms < before`},
		{"a belt position is missing for an entry that carries one",
			`SELECT 'entry ' || seq FROM entry WHERE kind IN ` + beltKinds + ` AND seq NOT IN (SELECT seq FROM belt)`},
		{"a belt position belongs to an entry that carries none",
			`SELECT 'entry ' || seq FROM belt JOIN entry USING (seq) WHERE kind NOT IN ` + beltKinds},
		{"a lot's status is not its last change",
			`SELECT 'lot ' || l.lot FROM lot l LEFT JOIN lot_change c ON c.seq = l.changed_seq
			WHERE c.seq IS NULL OR c.lot <> l.lot OR c.status <> l.status
			OR l.changed_seq <> (SELECT max(seq) FROM lot_change WHERE lot = l.lot)`},
		{"a lot has no job, or its jobs are not numbered from 0",
			`SELECT 'lot ' || lot FROM lot l WHERE (SELECT count(*) FROM lot_job j WHERE j.lot = l.lot) IN (0)
			OR (SELECT max(job_index) + 1 <> count(*) FROM lot_job j WHERE j.lot = l.lot)`},
		{"more than one cycle is begun and neither made nor interrupted, or a later one was begun over it",
			`SELECT 'cycle ' || cycle FROM cycle WHERE state = 'begun' AND cycle <> (SELECT max(cycle) FROM cycle)`},
		{"the cycles of a lot are not counted from 1 without gaps",
			`SELECT 'cycle ' || cycle FROM (SELECT cycle, ordinal, row_number() OVER (PARTITION BY lot ORDER BY cycle) AS n
			FROM cycle) WHERE ordinal <> n`},
		{"the steps of a cycle are not in the order of the journal",
			`SELECT 'cycle ' || cycle FROM cycle WHERE made_seq <= begun_seq OR discharged_seq <= made_seq
			OR interrupted_seq <= begun_seq OR decided_seq <= interrupted_seq`},
		{"a check's scrap does not add up",
			`SELECT 'check ' || visit FROM visit v
			WHERE scrap_total <> coalesce((SELECT sum(value) FROM json_each(v.scrap)), 0)`},
		{"a chain of corrections is broken",
			`SELECT 'check ' || v.visit FROM visit v LEFT JOIN visit c ON c.visit = v.corrects
			WHERE v.root <> coalesce(c.root, v.visit) OR (c.visit IS NOT NULL AND v.lot IS NOT c.lot)`},
		{"more parts are claimed than were made",
			`SELECT 'lot ' || v.lot FROM visit v WHERE ` + inForce + ` AND v.lot IS NOT NULL GROUP BY v.lot
			HAVING sum(v.good + v.scrap_total) >
			(SELECT count(*) FROM cycle c WHERE c.lot = v.lot AND c.made_seq IS NOT NULL)`},
		{"a hold ended before it began", `SELECT 'hold ' || hold FROM hold WHERE ended_seq <= begun_seq`},
	}
	for _, d := range detailTables {
		list = append(list,
			invariant{"an entry " + d.kind + " has no details", fmt.Sprintf(`SELECT 'entry ' || seq FROM entry
				WHERE kind = '%[1]s' AND seq NOT IN (SELECT %[2]s FROM %[3]s WHERE %[2]s IS NOT NULL)`, d.kind, d.column, d.table)})
		if d.table == "belt" || d.table == "lot_change" {
			continue // entries of other kinds write there too
		}
		list = append(list,
			invariant{"details of " + d.kind + " belong to another entry", fmt.Sprintf(`SELECT 'entry ' || d.%[1]s FROM %[2]s d
				LEFT JOIN entry e ON e.seq = d.%[1]s WHERE d.%[1]s IS NOT NULL AND e.kind IS NOT '%[3]s'`,
				d.column, d.table, d.kind)})
	}
	return list
}

// Check reads the whole ledger and describes everything that is wrong with it: damage that SQLite
// finds, rows that refer to nothing, and contradictions in the order of events. The error means
// that the check itself failed.
func (l *Ledger) Check(ctx context.Context) (problems []string, err error) {
	err = l.view(ctx, "everything", func(q querier) error {
		found, err := stringsOf(ctx, q, "PRAGMA integrity_check(100)")
		if err != nil {
			return err
		}
		if err := notRead(found); err != nil {
			return err
		}
		if len(found) != 1 || found[0] != "ok" {
			// Rows of a damaged file would only contradict each other.
			problems = found
			return nil
		}
		if problems, err = strayReferences(ctx, q); err != nil {
			return err
		}
		for _, inv := range invariants() {
			broken, err := stringsOf(ctx, q, inv.query)
			if err != nil {
				return fmt.Errorf("checking whether %s: %w", inv.what, err)
			}
			if len(broken) > 0 {
				problems = append(problems, inv.what+": "+strings.Join(broken, ", "))
			}
		}
		return nil
	})
	switch {
	case errors.Is(err, ErrCorrupt):
		return append(problems, clean(err)), nil
	case err != nil:
		return nil, err // earlier findings may have the same cause
	}
	return problems, nil
}

func strayReferences(ctx context.Context, q querier) (problems []string, err error) {
	err = each(ctx, q, "PRAGMA foreign_key_check", nil, func(rows *sql.Rows) error {
		var table, parent string
		var row, key sql.NullInt64
		err := rows.Scan(&table, &row, &parent, &key)
		problems = append(problems, fmt.Sprintf("table %s, row %d refers to a row of %s that is not there",
			table, row.Int64, parent))
		return err
	})
	return problems, err
}
