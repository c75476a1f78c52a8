// Package alert calls the operator: it empties the ledger's outbox towards the
// receivers of the configuration, each by a worker of its own, so that neither a
// slow receiver nor a dead one holds up another, or the run.
//
// An alert reaches each receiver at least once and in the order in which alerts
// were raised; one that the receiver refuses for good does not hold up the next.
package alert

import (
	"context"
	"fmt"
	"time"

	"beltwarden/supervisor/ledger"
)

// Notifier delivers messages to one receiver. Its methods may be used from any
// goroutine.
type Notifier interface {
	// Name is what the receiver is called in the ledger, in metrics and on screens: the same
	// name after every restart, and without secrets.
	Name() string
	// Kind says what it is: webhook, mail, service or alertmanager.
	Kind() string
	// Notify makes one attempt. A nil error means that the receiver has the message; an
	// error with a method Refused, as of *[StatusError], that it has answered otherwise.
	// No error shows a secret.
	Notify(ctx context.Context, m *Message) error
	// Close lets go what is kept open between messages.
	Close()
}

// StatusError is a receiver that answered without taking the alert.
type StatusError struct {
	Status     int           // HTTP status
	RetryAfter time.Duration // the wait that the receiver asks for, 0 when it asks for none
}

// Error implements error.
func (e *StatusError) Error() string {
	switch {
	case e.Status >= 300 && e.Status < 400:
		return fmt.Sprintf("the receiver answers with status %d, a redirect, which is not followed; configure the final address", e.Status)
	case e.Refused():
		return fmt.Sprintf("the receiver refuses the alert with status %d; check its address and headers", e.Status)
	}
	return fmt.Sprintf("the receiver answers with status %d", e.Status)
}

// Refused reports whether trying again soon is of no use: the address, a header
// or the alert itself is not what the receiver wants, and a person has to look.
func (e *StatusError) Refused() bool {
	return e.Status >= 300 && e.Status < 500 && e.Status != 408 && e.Status != 429
}

// refusal is an error that knows whether trying again soon is of no use.
type refusal interface {
	error
	Refused() bool
}

// Outbox is what a worker needs of the ledger.
type Outbox interface {
	PendingAlerts(ctx context.Context, receiver string, now time.Time, limit int) ([]ledger.Alert, error)
	Commit(ctx context.Context, records ...ledger.Record) error
	AlertQueue(ctx context.Context) ([]ledger.Receiver, error)
	LastResponse(ctx context.Context) (ledger.Responded, error)
	Sent(ctx context.Context, receiver string, limit int) ([]ledger.Alert, error)
	Age(s ledger.Stamp, now time.Time) time.Duration
}
