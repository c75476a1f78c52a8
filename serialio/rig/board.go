package rig

import (
	"errors"
	"fmt"
	"time"
)

// ResendStyle is how a board spells its request for a line to be sent again.
type ResendStyle int

// Spellings of the resend request for line 41.
const (
	ResendColonSpace ResendStyle = iota // Resend: 41
	ResendColon                         // Resend:41
	ResendShort                         // rs 41
	ResendShortN                        // rs N41
)

var resendPrefixes = [...]string{"Resend: ", "Resend:", "rs ", "rs N"}

// LimitPolicy is what a board does with a move that leaves its travel limits.
type LimitPolicy int

// What happens to a move beyond the limits; either way the board says so.
const (
	LimitClip   LimitPolicy = iota // ends at the limit
	LimitIgnore                    // is not made at all
)

// Board holds everything in which controllers differ, as far as a sender can tell.
type Board struct {
	ReceiveBuffer  int           // bytes; what comes while it is full is lost
	Queue          int           // accepted lines, the one being executed included
	Planner        int           // moves
	LineLimit      int           // bytes of one line; the rest of a longer one is dropped
	BaudRate       int           // the only rate it understands; 0: any
	BootTime       time.Duration // from reset to "start"; what arrives meanwhile is lost
	Latency        time.Duration
	Resend         ResendStyle
	OkAfterResend  bool
	DiscardOnError bool          // a rejected line takes the unread bytes with it
	AdvancedOk     bool          // ok N10 P15 B3
	OkWithTemps    bool          // M105 is answered "ok T:..."; otherwise temperatures first, ok on its own line
	Busy           time.Duration // between busy reports during a long command; 0: never
	Wait           time.Duration // between wait reports while idle; 0: never
	ReportTemps    bool          // M155
	ReportPosition bool          // M154
	HeatReports    bool          // temperatures every second during M109 and M190
	// EmergencyParser: M108, M112 and M410 act as their line arrives, before the queue.
	EmergencyParser bool
	Firmware        bool          // M115 is known at all
	Capabilities    bool          // M115 is answered with capability lines
	BusyEcho        bool          // busy reports begin with "echo:"
	MotorTimeout    time.Duration // without motion until the motors are released; 0: never
	// LimitMM is the travel of X, Y, Z as {min, max}; equal values mean none.
	LimitMM           [3][2]float64
	Limits            LimitPolicy
	ResetOnOpen       bool        // the modem lines reset it
	LimitReport       LimitReport // how it reports its limits of speed and acceleration
	ExtruderKeepsMode bool        // G90 and G91 leave the extruder's mode to M82 and M83
	HaltBang          bool        // a halt is announced by "!!" instead of an error text
	IdleHalt          bool        // M85 S sets after how many seconds without a move the board halts
}

// LimitReport is how a board reports its limits of speed and acceleration when asked.
type LimitReport int

// Ways to report them.
const (
	LimitsByList      LimitReport = iota // M503 lists all settings
	LimitsByWord                         // M201, M203, M204 and M205 without values; M503 is unknown
	LimitsNotReported                    // M503 is unknown, and the words alone say nothing
)

// DefaultBoard returns the most common board: 128 bytes, 4 lines, 16 moves, unread
// bytes thrown away on an error, ok after each resend request.
func DefaultBoard() Board {
	return Board{
		ReceiveBuffer: 128, Queue: 4, Planner: 16, LineLimit: 96, Latency: 500 * time.Microsecond,
		BootTime:      500 * time.Millisecond,
		OkAfterResend: true, DiscardOnError: true, OkWithTemps: true, HeatReports: true,
		Busy: 2 * time.Second, ReportTemps: true, ReportPosition: true, EmergencyParser: true,
		Firmware: true, Capabilities: true, MotorTimeout: 2 * time.Minute, ResetOnOpen: true,
	}
}

// Variations returns the named boards the tests run against. Each differs from the
// common one in what its name says. The behaviour is common practice of line-numbered
// controllers, no source.
func Variations() map[string]Board {
	v := make(map[string]Board)
	add := func(name string, change func(*Board)) {
		b := DefaultBoard()
		change(&b)
		v[name] = b
	}
	add("common", func(*Board) {})
	add("colon", func(b *Board) { b.Resend = ResendColon })
	add("short", func(b *Board) { b.Resend, b.OkAfterResend, b.LimitReport = ResendShort, false, LimitsByWord })
	add("short-n", func(b *Board) { b.Resend, b.Wait, b.Busy = ResendShortN, time.Second, 0 })
	add("no-ok", func(b *Board) { b.OkAfterResend = false })
	add("keep", func(b *Board) { b.DiscardOnError = false })
	add("keep-no-ok", func(b *Board) { b.DiscardOnError, b.OkAfterResend = false, false })
	add("advanced", func(b *Board) { b.AdvancedOk = true })
	add("small", func(b *Board) { b.ReceiveBuffer, b.Queue, b.Planner = 64, 2, 8 })
	add("large", func(b *Board) { b.ReceiveBuffer, b.Queue, b.Planner, b.LineLimit = 1024, 16, 32, 256 })
	add("bare", func(b *Board) {
		b.ReportTemps, b.ReportPosition, b.EmergencyParser, b.Capabilities = false, false, false, false
		b.OkWithTemps, b.HeatReports, b.Wait, b.ResetOnOpen, b.Firmware = false, false, time.Second, false, false
		b.LimitReport = LimitsNotReported
	})
	add("silent", func(b *Board) { b.Busy, b.Wait, b.HeatReports = 0, 0, false })
	add("lasting", func(b *Board) { b.ResetOnOpen, b.MotorTimeout = false, 0 })
	add("dozing", func(b *Board) { b.ResetOnOpen, b.MotorTimeout, b.IdleHalt = false, 0, true })
	add("limited", func(b *Board) { b.LimitMM = [3][2]float64{{-20, 220}, {-50, 220}, {-50, 300}} })
	add("refusing", func(b *Board) {
		b.LimitMM, b.Limits = [3][2]float64{{-20, 220}, {-50, 220}, {-50, 300}}, LimitIgnore
	})
	add("echo", func(b *Board) { b.BusyEcho = true })
	add("bang", func(b *Board) { b.HaltBang = true })
	add("alone", func(b *Board) { b.ExtruderKeepsMode = true })
	return v
}

// check returns every fault of the board's description.
func (b *Board) check() error {
	var errs []error
	atLeast := func(name string, value, least int) {
		if value < least {
			errs = append(errs, fmt.Errorf("board %s is %d; it must be at least %d", name, value, least))
		}
	}
	atLeast("receive buffer", b.ReceiveBuffer, 16)
	atLeast("queue", b.Queue, 1)
	atLeast("planner", b.Planner, 2)
	atLeast("line limit", b.LineLimit, 16)
	atLeast("baud rate", b.BaudRate, 0)
	if b.Resend < 0 || int(b.Resend) >= len(resendPrefixes) {
		errs = append(errs, fmt.Errorf("board resend style %d is unknown", b.Resend))
	}
	if b.Latency < 0 || b.BootTime < 0 || b.Busy < 0 || b.Wait < 0 || b.MotorTimeout < 0 {
		errs = append(errs, errors.New("board latency, boot time, busy, wait and motor timeout must not be negative"))
	}
	for i, l := range b.LimitMM {
		if l[0] > l[1] {
			errs = append(errs, fmt.Errorf("board travel of %c ends (%g) before it begins (%g)", axisNames[i], l[1], l[0]))
		}
	}
	return errors.Join(errs...)
}
