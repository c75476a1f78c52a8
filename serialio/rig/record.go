package rig

import (
	"io"
	"strconv"
	"time"
)

// Executed is one line that the board took from its queue and carried out.
type Executed struct {
	Seq    int64
	Number int64         // -1 if the line came without one
	Text   string        // exactly as sent, without number and checksum
	At     time.Duration // machine time of acceptance
	// Damaged: the rig knows that bytes of the line were damaged on their way, and the
	// checksum fitted all the same (or the damage lay beside the text).
	Damaged bool
	// Unknown: the board found no command of its own in the line, and did nothing.
	Unknown bool
	// Ended is when the command came to its end and was answered, 0 if it has not. Moves
	// that it only put into the planner may still be under way then.
	Ended time.Duration
}

// Damage is something that happened to the machine that should not have.
type Damage struct {
	At   time.Duration
	What string
}

// Figures are totals since the rig was made.
type Figures struct {
	MachineTime     time.Duration
	WorkTime        time.Duration // of it, with a move or a command under way
	LinesAccepted   uint64
	LinesExecuted   uint64
	Rejected        uint64 // lines refused
	ResendRequests  uint64
	DamagedLines    uint64 // lines judged of which the rig knows that bytes were damaged or lost
	DamagedAccepted uint64 // those of them taken all the same: the checksum fitted, there was none, or the damage lay beside the text
	Overflows       uint64 // times the receive buffer was full
	OverflowBytes   uint64 // bytes lost by it
	DiscardedBytes  uint64 // unread bytes thrown away with rejected lines
	HostOverflow    uint64 // bytes lost because the host did not read
	MaxPendingBytes int    // most bytes ever unread in the receive buffer
	UnknownCommands uint64
	Starved         uint64 // times the nozzle stood still on the part because moves came too slowly
	ColdExtrusions  uint64
	Collisions      uint64 // parts that the head ran into
	LaidOn          uint64 // times that a part was begun on another
	LimitHits       uint64
	Halts           uint64
	Halted          bool // it is halted now
	Resets          uint64
	ResetAt         []time.Duration // machine time of each of them
	EmergencyStops  uint64
	QuickStops      uint64
	MotorReleases   uint64
	BeltHomings     uint64
	BeltTravelMM    float64 // physical, absolute
	BeltAdvanceMM   float64 // physical, signed
	CommandedMM     float64 // absolute belt travel as the board counts it
	FilamentMM      float64 // net
	PartsDropped    int
	Faults          map[string]uint64 // injected, by kind
	Damage          []Damage
}

// recorder keeps or writes what was executed. In memory all texts lie in one arena.
type recorder struct {
	to    io.Writer
	buf   []byte // not yet written to to
	err   error
	seq   int64
	arena []byte
	lines []recorded
}

type recorded struct {
	number int64
	at     time.Duration
	end    int // in the arena

	damaged bool
	unknown bool
	ended   time.Duration
}

// finish notes that the newest line has come to its end.
func (r *recorder) finish(at time.Duration) {
	if n := len(r.lines); n > 0 {
		r.lines[n-1].ended = at
	}
}

// unknown notes that the newest line holds no command of the board's.
func (r *recorder) unknown() {
	if n := len(r.lines); n > 0 {
		r.lines[n-1].unknown = true
	}
}

func (r *recorder) add(text []byte, number int64, at time.Duration, damaged bool) {
	r.seq++
	if r.to == nil {
		r.arena = append(r.arena, text...)
		r.lines = append(r.lines, recorded{number: number, at: at, end: len(r.arena), damaged: damaged})
		return
	}
	r.buf = strconv.AppendInt(r.buf, r.seq, 10)
	r.buf = append(r.buf, '\t')
	r.buf = strconv.AppendInt(r.buf, number, 10)
	r.buf = append(r.buf, '\t')
	r.buf = strconv.AppendFloat(r.buf, at.Seconds(), 'f', 6, 64)
	r.buf = append(r.buf, '\t')
	r.buf = append(append(r.buf, text...), '\n')
}

// flush writes whole lines to the writer. The first error ends the recording and is
// reported by Rig.Close.
func (r *recorder) flush() {
	if len(r.buf) == 0 {
		return
	}
	if r.err == nil {
		_, r.err = r.to.Write(r.buf)
	}
	r.buf = r.buf[:0]
}

// all returns the record as it stands.
func (r *recorder) all() []Executed {
	list := make([]Executed, len(r.lines))
	from := 0
	for i, l := range r.lines {
		list[i] = Executed{Seq: int64(i + 1), Number: l.number, Text: string(r.arena[from:l.end]), At: l.at,
			Damaged: l.damaged, Unknown: l.unknown, Ended: l.ended}
		from = l.end
	}
	return list
}
