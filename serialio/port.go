// Package serialio implements the numbered, checksummed line protocol of filament printer
// controllers: frames, replies, the window of unanswered lines, and the connection that keeps both
// ends synchronised.
//
// It knows lines and bytes, not parts, belts or heat. The meaning of a line is the caller's
// concern, who provides lines through a [Source] and learns which of them the board has accepted.
package serialio

import (
	"context"
	"errors"
	"fmt"
	"strings"
)

// Port is an open serial port. Read returns the available bytes, or (0, nil) when its short timeout
// passes without any; framing is up to the reader. When the device is gone, Read and Write return
// an error that wraps [ErrUnplugged]; after our own Close, one that wraps [ErrClosed].
//
// A Port has one reader goroutine and one writer goroutine. Close may be called from a third, once
// the writer has returned from Write.
type Port interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	Close() error
}

// Settings are which port an [Opener] opens, and how.
type Settings struct {
	Path     string // device path, preferably a stable name under /dev/serial/by-id
	BaudRate int    // bit/s, 115200 to 1000000
}

// Opener opens a port. The daemon passes [OpenDevice]; tests and the demo pass the rig's. Every
// open may reset the board, since many boards reset when the modem lines rise.
type Opener func(ctx context.Context, s Settings) (Port, error)

// StartNumber is the number from which lines are counted when a numbering starts over, with "M110
// N9". It is not 0: a board that has restarted expects line 1, and must not be confused with one
// that expects our first line, or be sent that line.
const StartNumber = 9

// Errors a caller branches on. They reach the caller wrapped.
var (
	// ErrClosed: the port or connection was closed by us.
	ErrClosed = errors.New("closed")
	// ErrUnplugged: the device behind the port has gone.
	ErrUnplugged = errors.New("device is gone")
	// ErrSilent: the board has sent nothing for the silence limit.
	ErrSilent = errors.New("board does not answer")
	// ErrDesync: board and sender cannot be synchronised again.
	ErrDesync = errors.New("board and sender are out of step")
	// ErrHalted: the board reports that it has stopped and accepts no more commands.
	ErrHalted = errors.New("board has halted")
	// ErrReset: the board has restarted; number, position, targets and heaters are gone.
	ErrReset = errors.New("board has reset")
	// ErrRecount: the board counts lines from the beginning without having announced a restart. It
	// most likely has restarted; but damaged replies can look like this twice in a row, so nothing
	// that must be safe may depend on it.
	ErrRecount = errors.New("board counts lines from the beginning again")
)

// OpenReason is why a port could not be opened.
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
	// Command is the command line for Hint, "" if there is none. It is for a terminal: a telephone
	// has no command line.
	Command string
	Err     error
}

// Help returns the hint with its command line, for a terminal.
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
