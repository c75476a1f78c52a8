package serialio

import "time"

// Source yields the lines of one program, without number, checksum or line end.
// The connection alone calls it, from its own goroutine, so it needs no lock
// against itself; what it publishes to others it must guard.
type Source interface {
	// Next appends the next line to dst and returns the result, or io.EOF after
	// the last. Any other error ends the program with [EventFailed].
	//
	// A line "M110 N<k>" sets the board's line number: the connection waits until
	// everything before it has been accepted, sends it alone, and goes on
	// numbering from k+1 once it is accepted. The next line of this source bears
	// k+1: no control line comes between. Behind a wait for heat, M109 say, no line is asked
	// for until the board has taken it: it would be carried out, cold, when the wait is broken off.
	Next(dst []byte) ([]byte, error)
	// Accepted says that the oldest n lines handed out and not yet reported have
	// been taken by the board, each exactly once.
	Accepted(n int)
	// Unsent says that the newest line handed out never went to the board, and
	// never will: the program was cancelled, or has failed, before it was numbered.
	Unsent()
}

// EventKind says what an [Event] reports.
type EventKind int

// Kinds of event.
const (
	// EventSynced: the connection and the board are in step. Sent once after
	// NewConn. LastNumber holds the board's last accepted line number as it was
	// before we set it (-1: not known). Reset says that the board announced a restart.
	EventSynced EventKind = iota
	// EventDone: every line of program ID was accepted, or control line ID was answered.
	EventDone
	// EventCancelled: program ID was cancelled; its lines in flight are settled.
	EventCancelled
	// EventFailed: program ID could not go on because its source failed, or gave a
	// line that cannot be sent, or control line ID cannot be sent (Err). The
	// connection itself is sound and its lines in flight are settled.
	EventFailed
	// EventReport: a line from the board that is neither an acknowledgement nor a
	// resend request: temperatures, position, capability, echo, error text, host
	// action. Reply holds it.
	EventReport
	// EventLost: the connection is over (Err wraps ErrUnplugged, ErrSilent,
	// ErrDesync, ErrHalted, ErrReset, ErrRecount or ErrClosed). No event follows.
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
	LinesAccepted uint64     `json:"lines_accepted"` // lines the board has taken
	BytesSent     uint64     `json:"bytes_sent"`
	BytesReceived uint64     `json:"bytes_received"`
	Resends       uint64     `json:"resends"`             // resend requests obeyed
	Timeouts      uint64     `json:"timeouts"`            // times the reply limit passed
	Garbled       uint64     `json:"garbled"`             // reply lines that made no sense
	LastNumber    int64      `json:"last_number"`         // number of the newest accepted line
	RoundTrips    RoundTrips `json:"round_trips"`         // time from write to acknowledgement, of each accepted line
	LastHeard     time.Time  `json:"last_heard,omitzero"` // when the board last said anything

	ReportsDropped uint64 `json:"reports_dropped"` // reports not delivered because nobody received them
	PlannerFree    int    `json:"planner_free"`    // free planner slots as last reported, -1 not known
	BufferFree     int    `json:"buffer_free"`     // free command slots as last reported, -1 not known

	UnansweredBytes int `json:"unanswered_bytes"` // bytes of lines in flight; while getting back in step, those that were

	// Hint says what would make the line faster, "" while not in step or if nothing
	// is known.
	Hint string `json:"hint,omitempty"`
}
