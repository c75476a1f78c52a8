package serialio

import "time"

// Options configure a connection. A zero field means its default.
type Options struct {
	// WindowBytes is how many bytes of unanswered lines may be in flight: at most the board's
	// receive buffer. 0, or less than 48: one unanswered line at a time, or as many short ones as
	// the board reports to hold; see [Stats].Hint.
	WindowBytes int
	// BootWait is how long to wait for the board's start message after the port
	// was opened; many boards do not restart, and print none. Default 3 s,
	// negative: do not wait.
	BootWait time.Duration
	// ReplyLimit is how long a line may stay unanswered, with the board silent, until the board is
	// probed. Default 10 s.
	ReplyLimit time.Duration
	// SilenceLimit is how long the board may owe an answer and send nothing until it counts as
	// lost. Default 60 s.
	SilenceLimit time.Duration
	// QuietFor is how long the line must be silent to count as quiet: longer than
	// WindowBytes take on the wire, plus the delays of the USB bridge. Default 100 ms.
	QuietFor time.Duration
	// NonsenseLimit is how long after BootWait a board may send unintelligible bytes until the
	// connection fails: it uses another protocol or baud rate. Default 10 s.
	NonsenseLimit time.Duration
}

func (o *Options) fill() {
	set := func(d *time.Duration, def time.Duration) {
		if *d == 0 {
			*d = def
		}
		*d = max(*d, 0)
	}
	set(&o.BootWait, 3*time.Second)
	set(&o.ReplyLimit, 10*time.Second)
	set(&o.SilenceLimit, 60*time.Second)
	set(&o.QuietFor, 100*time.Millisecond)
	set(&o.NonsenseLimit, 10*time.Second)
	o.WindowBytes = max(o.WindowBytes, 0)
}
