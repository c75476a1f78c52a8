package ledger

import (
	"encoding/json"
	"time"
)

// Alert is one message for the operator in the outbox. ID is stable: queueing the same alert again after a restart
// changes nothing. Stamp and Tries are filled by reading and ignored by writing.
type Alert struct {
	ID      string
	Kind    string
	State   string
	Reason  string
	Text    string
	LotID   int64           // 0 when no lot was there
	Payload json.RawMessage // nil or one JSON value

	Stamp Stamp
	Tries int // failed attempts of the requested receiver
}

// AlertQueued puts an alert into the outbox.
type AlertQueued struct{ Alert Alert }

// AlertTried records that an attempt to deliver failed. NextTry applies within this process; after
// a restart the alert is due at once, since the clock may have been set.
type AlertTried struct {
	ID       string
	Receiver string
	Err      string
	NextTry  time.Time
}

// The ways in which a receiver finishes an alert.
const (
	HowSent      = "sent"      // in a message of its own, or as the first of several
	HowCollected = "collected" // in the message of another alert alert
	HowUnneeded  = "unneeded"  // not at all: others have acted, or it is nothing for this receiver
)

// AlertDelivered removes an alert from a receiver's queue.
type AlertDelivered struct {
	ID       string
	Receiver string
	How      string // HowSent and so on; empty is HowSent
}
