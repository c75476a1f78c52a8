package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
)

// What a HeatLearned is about: a heater, or the scatter of cycle times on machine and in room.
const (
	HeaterNozzle  = "nozzle"
	HeaterBed     = "bed"
	LearnedCycles = "cycles"
)

// HeatLearned records what is known of one heater of the machine on a port. Model is one JSON
// object, which only its writer interprets; the newest one counts.
type HeatLearned struct {
	Port   string
	Heater string // HeaterNozzle, HeaterBed or LearnedCycles
	Model  json.RawMessage
}

func (HeatLearned) kind() string { return "heat_learned" }

func (r HeatLearned) faults() []string {
	var f faultList
	f.text("Port", r.Port)
	f.text("Heater", r.Heater)
	var object map[string]json.RawMessage
	if err := json.Unmarshal(r.Model, &object); err != nil || object == nil {
		f = append(f, fmt.Sprintf("Model is not a JSON object: %.40q", r.Model))
	}
	return f
}

func (r HeatLearned) apply(t *txn) error {
	return t.exec("INSERT INTO heat (seq, port, heater, model) VALUES (?, ?, ?, ?)", t.seq, r.Port, r.Heater, string(r.Model))
}

// Heat returns what was last learned of each heater of the machine on a port, by heater.
func (l *Ledger) Heat(ctx context.Context, port string) (models map[string]json.RawMessage, err error) {
	models = map[string]json.RawMessage{}
	err = l.view(ctx, "the heaters", func(q querier) error {
		return each(ctx, q, "SELECT heater, model FROM heat WHERE seq IN (SELECT max(seq) FROM heat WHERE port = ? GROUP BY heater)",
			[]any{port}, func(rows *sql.Rows) error {
				var heater, model string
				err := rows.Scan(&heater, &model)
				models[heater] = json.RawMessage(model)
				return err
			})
	})
	return models, err
}
