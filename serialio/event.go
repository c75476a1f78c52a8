package serialio

import "time"

// Source yields the lines of one program, without number, checksum or line end. Only the
// connection's goroutine calls it, so it needs no lock for itself.
type Source interface {
	// Next appends the next line to dst and returns the result, or io.EOF after the last. Any other
	// error ends the program with [EventFailed].
	//
	// A line "M110 N<k>" sets the board's line number: the connection waits until everything before
	// it was accepted, sends it alone, and numbers from k+1 once it is accepted. The next line of
	// this source gets k+1: no control line comes in between. After a wait for heat such as M109 no
	// line is read until the board has accepted it: it would be carried out cold if the wait were
	// cancelled.
	Next(dst []byte) ([]byte, error)
	// Accepted reports that the board has accepted the oldest n lines returned and not yet
	// reported, each exactly once.
	Accepted(n int)
	// Unsent reports that the newest line returned was never sent and never will be: the program
	// was cancelled, or failed, before it was numbered.
	Unsent()
}

// EventKind is the kind of an [Event].
type EventKind int

// Kinds of event.
const (
	// EventSynced: connection and board are synchronised. It is sent once after NewConn. LastNumber
	// is the board's last accepted line number before we set it (-1: unknown). Reset: the board
	// announced a restart.
	EventSynced EventKind = iota
	// EventDone: every line of program ID was accepted, or control line ID was answered.
	EventDone
	// EventCancelled: program ID was cancelled; its lines in flight are accounted for.
	EventCancelled
	// EventFailed: program ID cannot continue because its source failed or returned a line that
	// cannot be sent, or control line ID cannot be sent (Err). The connection itself works, and its
	// lines in flight are accounted for.
	EventFailed
	// EventReport: a line from the board that is neither an acknowledgement nor a
	// resend request: temperatures, position, capability, echo, error text, host
	// action. Reply holds it.
	EventReport
	// EventLost: the connection has ended (Err wraps ErrUnplugged, ErrSilent, ErrDesync, ErrHalted,
	// ErrReset, ErrRecount or ErrClosed). No event follows.
	EventLost
)

// Event is what a connection reports to its owner.
type Event struct {
	Kind       EventKind
	ID         uint64 // program or control line, for Done, Cancelled and Failed
	Reply      Reply  // for Report
	LastNumber int64  // for Synced; -1 unknown
	Reset      bool   // for Synced
	Err        error  // for Failed and Lost
}

// Stats are running totals of one connection, readable at any time.
type Stats struct {
	LinesSent     uint64     `json:"lines_sent"`     // lines put on the wire, repeats included
	LinesAccepted uint64     `json:"lines_accepted"` // lines the board has accepted
	BytesSent     uint64     `json:"bytes_sent"`
	BytesReceived uint64     `json:"bytes_received"`
	Resends       uint64     `json:"resends"`             // resend requests obeyed
	Timeouts      uint64     `json:"timeouts"`            // times the reply limit passed
	Garbled       uint64     `json:"garbled"`             // unintelligible reply lines
	LastNumber    int64      `json:"last_number"`         // number of the newest accepted line
	RoundTrips    RoundTrips `json:"round_trips"`         // time from write to acknowledgement, of each accepted line
	LastHeard     time.Time  `json:"last_heard,omitzero"` // time of the newest intelligible line

	ReportsDropped uint64 `json:"reports_dropped"` // reports not delivered because nobody received them
	PlannerFree    int    `json:"planner_free"`    // free planner slots as last reported, -1 not known
	BufferFree     int    `json:"buffer_free"`     // free command slots as last reported, -1 not known

	UnansweredBytes int `json:"unanswered_bytes"` // bytes of lines in flight; while resynchronising, those that were

	// Hint says what would make the connection faster, "" while not synchronised or if nothing
	// is known.
	Hint string `json:"hint,omitempty"`
}
