package ledger

import (
	"context"
	"time"
)

// CareDone says that something the owner wants done every so often was done; with Begun, that counting
// begins here and nothing was done. The newest entry of a name counts. Stamp is filled by reading and
// ignored by writing.
type CareDone struct {
	Name     string
	Begun    bool
	TravelMM float64 // belt travel at that time
	By       string

	Stamp Stamp
}

func (CareDone) kind() string { return "care_done" }

func (r CareDone) faults() []string {
	var f faultList
	f.text("Name", r.Name)
	f.notNegative("TravelMM", r.TravelMM)
	return f
}

func (r CareDone) apply(t *txn) error {
	return t.exec("INSERT INTO care (seq, name, begun, travel_mm, by) VALUES (?, ?, ?, ?, ?)", t.seq, r.Name, r.Begun, r.TravelMM, r.By)
}

// CareSince is when something was last done, and what the machine has made since.
type CareSince struct {
	CareDone
	Parts int           // made since
	Work  time.Duration // of these parts, from the begin of each until it was made
}

// Care returns it for every name that was ever entered.
func (l *Ledger) Care(ctx context.Context) (list []CareSince, err error) {
	err = l.view(ctx, "what was done to the machine", func(q querier) error {
		rows, err := q.QueryContext(ctx, `SELECT c.name, c.begun, c.travel_mm, c.by, count(y.cycle), coalesce(sum(y.machine_ns), 0), `+stampColumns("e")+`
			FROM care c JOIN entry e ON e.seq = c.seq LEFT JOIN cycle y ON y.made_seq > c.seq
			WHERE c.seq IN (SELECT max(seq) FROM care GROUP BY name) GROUP BY c.seq ORDER BY c.seq`)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var c CareSince
			var at stampRow
			if err := rows.Scan(append([]any{&c.Name, &c.Begun, &c.TravelMM, &c.By, &c.Parts, &c.Work}, at.into()...)...); err != nil {
				return err
			}
			c.Stamp = at.stamp()
			list = append(list, c)
		}
		return rows.Err()
	})
	return list, err
}
