// Package serialio speaks the numbered, checksummed line protocol of filament
// printer controllers: frames, replies, the window of unanswered lines, and the
// connection that keeps both ends in step.
//
// It knows lines and bytes, not parts, belts or heat. What a line means is the
// business of the caller, who hands lines in through a [Source] and learns
// which of them the board has accepted.
package serialio

import (
	"context"
	"errors"
	"fmt"
	"strings"
)

// Port is an open serial port. Read returns what is there, and (0, nil) when its
// short read timeout passes with nothing; framing is the reader's work. When the
// device has gone, Read and Write return an error that wraps [ErrUnplugged];
// after our own Close, one that wraps [ErrClosed].
//
// A Port has one reader goroutine and one writer goroutine. Close may be called
// from a third, once the writer has returned from Write.
type Port interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	Close() error
}

// Settings are which port an [Opener] opens, and how.
type Settings struct {
	Path     string // device path, a stable name under /dev/serial/by-id by preference
	BaudRate int    // bit/s, 115200 to 1000000
}

// Opener opens a port. The daemon passes [OpenDevice]; tests and the demo pass
// the rig's. Every open must be taken as a possible reset of the board, since
// many boards reset when the modem lines rise.
type Opener func(ctx context.Context, s Settings) (Port, error)

// StartNumber is the number to count lines from where a numbering begins again, with
// "M110 N9". It is not 0: a board that has restarted wants line 1, and must neither
// be taken for one that wants our first line again nor be given that line.
const StartNumber = 9

// Errors a caller branches on. They reach the caller wrapped.
var (
	// ErrClosed: the port or connection was closed by us.
	ErrClosed = errors.New("closed")
	// ErrUnplugged: the device behind the port has gone.
	ErrUnplugged = errors.New("device is gone")
	// ErrSilent: the board has said nothing at all for the silence limit.
	ErrSilent = errors.New("board does not answer")
	// ErrDesync: board and sender cannot be brought back into step.
	ErrDesync = errors.New("board and sender are out of step")
	// ErrHalted: the board says that it has stopped and takes no more commands.
	ErrHalted = errors.New("board has halted")
	// ErrReset: the board has restarted; number, position, targets and heaters are gone.
	ErrReset = errors.New("board has reset")
	// ErrRecount: the board counts lines from the beginning without having said that it
	// restarted. It most likely has; but damaged words can look like this twice in a
	// row, so that nothing that must be safe may rest on it.
	ErrRecount = errors.New("board counts lines from the beginning again")
)

// OpenReason says why a port could not be opened.
type OpenReason int

// Reasons for a failed open.
const (
	OpenOther OpenReason = iota
	OpenAbsent
	OpenBusy
	OpenNotTerminal
	OpenNotPermitted
	OpenBadSpeed
)

// String returns the reason in words.
func (r OpenReason) String() string {
	switch r {
	case OpenAbsent:
		return "no such port"
	case OpenBusy:
		return "port is in use"
	case OpenNotTerminal:
		return "not a serial port"
	case OpenNotPermitted:
		return "no permission"
	case OpenBadSpeed:
		return "baud rate not possible"
	default:
		return "open failed"
	}
}

// OpenError is a port that could not be opened, with what the operator can do.
type OpenError struct {
	Path   string
	Reason OpenReason
	Hint   string // what to do, a full sentence
	// Command is the command line that does what Hint says, "" where there is none. It is
	// for a terminal: a telephone has no command line.
	Command string
	Err     error
}

// Help is the hint with its command line, for a terminal.
func (e *OpenError) Help() string {
	if e.Command == "" {
		return e.Hint
	}
	return strings.TrimSuffix(e.Hint, ".") + ": " + e.Command
}

// Error implements error.
func (e *OpenError) Error() string {
	if e.Err == nil {
		return fmt.Sprintf("cannot open port %s: %s", e.Path, e.Reason)
	}
	return fmt.Sprintf("cannot open port %s: %s: %v", e.Path, e.Reason, e.Err)
}

// Unwrap returns the cause.
func (e *OpenError) Unwrap() error { return e.Err }

func openError(s Settings, reason OpenReason, err error) *OpenError {
	var hint, command string
	switch reason {
	case OpenAbsent:
		hint = "Check that the printer is switched on and its cable is plugged in, and list the ports there are; " +
			"a name under /dev/serial/by-id stays the same when a port is plugged in again."
	case OpenBusy:
		hint = "Another program has the port; end that program, or the other instance of this one."
	case OpenNotTerminal:
		hint = "Give the path of a serial port, for example one under /dev/serial/by-id."
	case OpenNotPermitted:
		hint = "Let the user that runs this program use serial ports, then log in again; on most systems they belong to the group dialout."
		command = "usermod -aG dialout USER"
	case OpenBadSpeed:
		hint = "Use the baud rate the board is built for, commonly 115200 or 250000; not every port can do every rate."
	default:
		hint = "Unplug the cable, plug it in again, and look into the kernel's log."
	}
	return &OpenError{Path: s.Path, Reason: reason, Hint: hint, Command: command, Err: err}
}
