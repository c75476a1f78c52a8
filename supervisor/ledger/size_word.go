package ledger

import (
	"database/sql"
	"encoding/json"
)

// sizeWord reads what a check decides on earlier lengths.
const sizeWord = `(SELECT z.set_aside FROM size_word z WHERE z.visit = v.visit), coalesce((SELECT z.accepted FROM size_word z WHERE z.visit = v.visit), 0)`

func (t *txn) applySizeWord(c Check) error {
	if len(c.SetAside) == 0 && !c.LengthsAccepted {
		return nil
	}
	list, err := json.Marshal(append([]int64{}, c.SetAside...))
	if err != nil {
		return err
	}
	return t.exec("INSERT INTO size_word (visit, set_aside, accepted) VALUES (?, ?, ?)", c.ID, string(list), c.LengthsAccepted)
}

func setAside(text sql.NullString) (list []int64, err error) {
	if text.Valid && text.String != "[]" {
		err = json.Unmarshal([]byte(text.String), &list)
	}
	return list, err
}
