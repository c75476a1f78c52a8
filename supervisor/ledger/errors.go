package ledger

import "errors"

// The errors on which callers branch. Each is wrapped in a text that says what, where and what to do.
var (
	// ErrNewer says that the file was written by a newer version of the program. Nothing was touched.
	ErrNewer = errors.New("the ledger was written by a newer version")
	// ErrCorrupt says that the file is damaged or is no ledger. Nothing was touched.
	ErrCorrupt = errors.New("the ledger is damaged")
	// ErrFull says that there is no room to write: the disk, a quota or a file size limit is exhausted.
	ErrFull = errors.New("no room left to write")
	// ErrLocked says that another process has the ledger open for writing.
	ErrLocked = errors.New("the ledger is in use")
	// ErrDisk says that the disk failed to read, write or sync, or refused to. What was being committed is unknown until the
	// next Open.
	ErrDisk = errors.New("the disk failed or refused")
	// ErrReadOnly says that the ledger was opened for reading only.
	ErrReadOnly = errors.New("the ledger is open for reading only")
	// ErrClosed says that Close has been called.
	ErrClosed = errors.New("the ledger is closed")
	// ErrNotFound says that the requested row is not there.
	ErrNotFound = errors.New("not in the ledger")
	// ErrTooMany says that a check would claim more parts than were made.
	ErrTooMany = errors.New("more parts claimed than were made")
	// ErrIllegal says that a record breaks the order of events or names something that is not there: a fault of the
	// program, not of the operator.
	ErrIllegal = errors.New("the record does not fit what the ledger holds")
	// ErrInvalid says that a record holds a value that can never be right.
	ErrInvalid = errors.New("the record holds an impossible value")
)
