package ledger

import "errors"

// The errors on which callers branch. Each is wrapped in a text that says what, where and what to do.
var (
	// ErrNewer: the file was written by a newer version of the program. Nothing was changed.
	ErrNewer = errors.New("the ledger was written by a newer version")
	// ErrCorrupt: the file is damaged or is not a ledger. Nothing was changed.
	ErrCorrupt = errors.New("the ledger is damaged")
	// ErrFull: there is no space to write; the disk, a quota or a file size limit is exhausted.
	ErrFull = errors.New("no room left to write")
	// ErrLocked: another process has the ledger open for writing.
	ErrLocked = errors.New("the ledger is in use")
	// ErrDisk: the disk failed to read, write or sync, or refused to. Whether the present commit
	// was stored is unknown until the next Open.
	ErrDisk = errors.New("the disk failed or refused")
	// ErrReadOnly: the ledger was opened for reading only.
	ErrReadOnly = errors.New("the ledger is open for reading only")
	// ErrClosed: Close was called.
	ErrClosed = errors.New("the ledger is closed")
	// ErrNotFound: the requested row does not exist.
	ErrNotFound = errors.New("not in the ledger")
	// ErrTooMany: a check would count more parts than were made.
	ErrTooMany = errors.New("more parts claimed than were made")
	// ErrIllegal: a record violates the order of events or refers to something that does not exist.
	// The program is at fault, not the operator.
	ErrIllegal = errors.New("the record does not fit what the ledger holds")
	// ErrInvalid: a record has an impossible value.
	ErrInvalid = errors.New("the record holds an impossible value")
)
