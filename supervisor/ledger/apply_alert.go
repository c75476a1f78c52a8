package ledger

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
)

func (AlertQueued) kind() string    { return "alert_queued" }
func (AlertTried) kind() string     { return "alert_tried" }
func (AlertDelivered) kind() string { return "alert_delivered" }
func (EventNoted) kind() string     { return "event_noted" }
func (StateChanged) kind() string   { return "state_changed" }
func (BoardSeen) kind() string      { return "board_seen" }

func (r AlertQueued) faults() []string {
	var f faultList
	f.text("ID", r.Alert.ID)
	f.text("Kind", r.Alert.Kind)
	f.optionalID("LotID", r.Alert.LotID)
	f.add(len(r.Alert.Payload) > 0 && !json.Valid(r.Alert.Payload), "Payload is not JSON")
	return f
}

func (r AlertTried) faults() []string {
	var f faultList
	f.text("ID", r.ID)
	f.text("Receiver", r.Receiver)
	return f
}

func (r AlertDelivered) faults() []string {
	var f faultList
	f.text("ID", r.ID)
	f.text("Receiver", r.Receiver)
	f.add(r.How != "" && r.How != HowSent && r.How != HowCollected && r.How != HowUnneeded, "How is %q", r.How)
	return f
}

func (r EventNoted) faults() []string {
	var f faultList
	f.text("Kind", r.Kind)
	return f
}

func (r StateChanged) faults() []string {
	var f faultList
	f.text("State", r.State)
	return f
}

func (r BoardSeen) faults() []string {
	var f faultList
	f.text("Port", r.Port)
	f.notNegative("StepsPerMM", r.StepsPerMM)
	return f
}

// alreadyIn makes queueing after a restart harmless: an alert with the same identifier keeps its
// first text. The same identifier for another matter would lose an alert, and is refused.
func (r AlertQueued) alreadyIn(t *txn) (bool, error) {
	a := r.Alert
	var kind, state, reason string
	var lotID sql.NullInt64
	err := t.row("SELECT kind, state, reason, lot FROM alert WHERE alert = ?", []any{a.ID}, &kind, &state, &reason, &lotID)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	if kind != a.Kind || state != a.State || reason != a.Reason || lotID.Int64 != a.LotID {
		return false, fmt.Errorf("alert %q is already queued for another matter (%s, %s, %s, lot %d): %w",
			a.ID, kind, state, reason, lotID.Int64, ErrIllegal)
	}
	return true, nil
}

func (r AlertQueued) apply(t *txn) error {
	a := r.Alert
	if err := t.requireLot(a.LotID); err != nil {
		return err
	}
	var payload any
	if len(a.Payload) > 0 {
		payload = string(a.Payload)
	}
	return t.exec("INSERT INTO alert (alert, seq, kind, state, reason, text, lot, payload) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
		a.ID, t.seq, a.Kind, a.State, a.Reason, a.Text, orNull(a.LotID), payload)
}

// requirePending checks that the alert and the receiver exist.
func (t *txn) requirePending(alert, receiver string) error {
	var one int
	err := t.row("SELECT 1 FROM alert WHERE alert = ?", []any{alert}, &one)
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("there is no alert %q: %w", alert, ErrIllegal)
	}
	if err != nil {
		return err
	}
	return t.openReceiver(receiver)
}

// openReceiver enters a new receiver. The first of all gets every alert; a later one gets those
// queued since this start, so that it does not repeat the past.
func (t *txn) openReceiver(receiver string) error {
	return t.exec(`INSERT INTO channel (channel, from_seq) SELECT ?, CASE
		WHEN NOT EXISTS (SELECT 1 FROM channel) THEN 0
		ELSE coalesce((SELECT max(seq) FROM entry WHERE boot < ?), 0) END
		WHERE true ON CONFLICT (channel) DO NOTHING`, receiver, t.l.boot)
}

func (r AlertTried) apply(t *txn) error {
	if err := t.requirePending(r.ID, r.Receiver); err != nil {
		return err
	}
	next := r.NextTry.Sub(t.l.start).Milliseconds()
	err := t.exec(`INSERT INTO delivery (alert, channel, tries, last_error, tried_seq, next_mono_ms)
		VALUES (?, ?, 1, ?, ?, ?) ON CONFLICT (alert, channel) DO UPDATE SET tries = tries + 1,
		last_error = excluded.last_error, tried_seq = excluded.tried_seq, next_mono_ms = excluded.next_mono_ms`,
		r.ID, r.Receiver, r.Err, t.seq, next)
	if err != nil {
		return fmt.Errorf("alert %q on %s: %w", r.ID, r.Receiver, err)
	}
	return nil
}

func (r AlertDelivered) apply(t *txn) error {
	if err := t.requirePending(r.ID, r.Receiver); err != nil {
		return err
	}
	how := r.How
	if how == "" {
		how = HowSent
	}
	err := t.exec(`INSERT INTO delivery (alert, channel, delivered_seq, how) VALUES (?, ?, ?, ?)
		ON CONFLICT (alert, channel) DO UPDATE SET delivered_seq = excluded.delivered_seq, how = excluded.how`,
		r.ID, r.Receiver, t.seq, how)
	if err != nil {
		return fmt.Errorf("alert %q on %s: %w", r.ID, r.Receiver, err)
	}
	return nil
}

func (r EventNoted) apply(t *txn) error {
	return t.exec("INSERT INTO event (seq, kind, text) VALUES (?, ?, ?)", t.seq, r.Kind, r.Text)
}

func (r StateChanged) apply(t *txn) error {
	return t.exec("INSERT INTO state (seq, state, reason) VALUES (?, ?, ?)", t.seq, r.State, r.Reason)
}

func (r BoardSeen) apply(t *txn) error {
	capabilities := r.Capabilities
	if capabilities == nil {
		capabilities = map[string]bool{}
	}
	text, err := json.Marshal(capabilities)
	if err != nil {
		return err
	}
	return t.exec("INSERT INTO board (seq, port, firmware, capabilities, steps_per_mm) VALUES (?, ?, ?, ?, ?)",
		t.seq, r.Port, r.Firmware, string(text), r.StepsPerMM)
}
