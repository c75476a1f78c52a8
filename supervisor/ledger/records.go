package ledger

import "time"

// Record is one fact for the ledger. The types of this package that end in a past participle implement it; they are
// written by Ledger.Commit, in the order given, and take their identifiers from the caller.
type Record interface {
	// kind names the record in the journal.
	kind() string
	// faults lists what is wrong with the values alone, before any row is looked at.
	faults() []string
	// apply writes the record's rows inside a commit.
	apply(t *txn) error
}

// The states of a lot. A lot is opened as LotOpen; LotClosed and LotEnded are final.
const (
	LotOpen   = "open"   // cycles are still to be begun
	LotMade   = "made"   // every cycle has been made, the count is not yet verified
	LotClosed = "closed" // the ordered number of good parts has been seen by the operator
	LotEnded  = "ended"  // given up before that
)

// Unfinished reports whether a lot of that status may continue.
func Unfinished(status string) bool { return status == LotOpen || status == LotMade }

// The orders in which the jobs of a lot are made.
const (
	OrderBlocks = "blocks" // all parts of the first job, then all of the second
	OrderTurn   = "turn"   // one part of each job in turn
)

// The kinds of an Alteration.
const (
	Withheld = "withheld" // a line of the job that is not sent
	Added    = "added"    // a line that is sent and is not in the job
)

// The evidence on which a cycle counts as made.
const (
	EvidenceConfirmed  = "confirmed by the board"    // the board reported that all moves had ended
	EvidenceLineNumber = "line number after restart" // the board's last accepted line number lies beyond the body's end
)

// Lot is an order for good parts of one or more jobs. Opened, Changed and Reason are filled by reading and ignored by
// writing.
type Lot struct {
	ID          int64
	Name        string
	Status      string // LotOpen, LotMade, LotClosed or LotEnded
	Order       string // OrderBlocks or OrderTurn
	Jobs        []LotJob
	Alterations []Alteration
	Particulars Particulars

	Opened  Stamp  // when the lot was opened
	Changed Stamp  // when the status was last written
	Reason  string // why the status was last written
}

// Particulars are what an order carries on paper and no part depends on. What is empty was not given.
type Particulars struct {
	OrderNumber   string `json:"order_number,omitempty"`   // the customer's
	Material      string `json:"material,omitempty"`       // as on the spool's label
	MaterialBatch string `json:"material_batch,omitempty"` // its maker's number
}

// LotJob is one job of a lot as it was when the lot was opened. Index counts from 0 in the order of the lot's list.
type LotJob struct {
	Index                int
	Path                 string
	SHA256               string // lower-case hexadecimal digest of the file
	Name                 string
	GoodOrdered          int
	FilamentMMPerCycle   float64 // net filament of one cycle
	BeltTravelMMPerCycle float64 // absolute belt movement of one cycle, discharge included
	PitchMM              float64 // belt advance from one part's origin to the next
	// PlannedRun is how long one part was to take when the lot was opened; 0 when that was not known.
	PlannedRun   time.Duration
	PlannedWaits bool // PlannedRun has all waits for temperatures in it
}

// Alteration is one line that was withheld from a job or added to it. Line is the line number in the job file, 1 the
// first; for an added line it is the line before which the addition is sent.
type Alteration struct {
	JobIndex int
	Kind     string // Withheld or Added
	Line     int
	Text     string
	Why      string
}

// Belt is the commanded belt position in millimetres. Known is false when the position of the parts on the belt is no
// longer certain; UncertainMM is the travel that may or may not have been run.
type Belt struct {
	TravelMM       float64 // sum of absolute movement since the ledger began
	AdvanceMM      float64 // signed net movement since the ledger began
	SinceRealignMM float64 // travel since the last realignment
	SinceCheckMM   float64 // travel since the last check
	UncertainMM    float64
	Known          bool
}

// Check is one visit by the operator. A correction is a new Check whose Corrects names the one it replaces; nothing is
// overwritten. CorrectedBy and Stamp are filled by reading and ignored by writing.
type Check struct {
	ID        int64
	LotID     int64     // 0 when no lot was there
	At        time.Time // wall time of the visit, kept to the millisecond; the zero time takes the time of writing
	JobIndex  *int      // job to which Good and Scrap belong; nil when the visit counted the lot as a whole
	OffsetMM  *float64  // lateral offset as found, + to the right; nil when not measured
	LengthsMM []float64 // measured part lengths
	Good      int       // parts found good at this visit
	Scrap     map[string]int
	// DetachedAfter is how long after their begin parts came off, kept to the millisecond: for those of Scrap["detached"]
	// of which it is known.
	DetachedAfter []time.Duration
	// SetAside are the numbers, from 1, of the job's lengths from which no limits are learned, for the reason in Note;
	// LengthsAccepted takes the others as they are.
	SetAside        []int64
	LengthsAccepted bool
	Realigned       bool
	BeltCleared     bool
	SpoolG          *float64 // spool mass; nil when not weighed
	BinEmptied      bool
	Note            string
	By              string
	TravelMM        float64 // belt travel at the visit
	AdvanceMM       float64 // belt advance at the visit
	CyclesMade      int     // cycles of the lot made at the visit
	Corrects        int64   // the check that this one replaces, 0 for none

	CorrectedBy int64
	Stamp       Stamp
}

// Stamp is the position of a row. Rows are ordered by Seq alone.
type Stamp struct {
	Seq        int64         // position in the journal, from 1, without gaps
	Boot       int64         // number of the process start that wrote the row, see Ledger.Boots
	At         time.Time     // wall time, information only: the clock may have been wrong
	SinceStart time.Duration // monotonic time since the ledger was opened by that process, to the millisecond
}

// LotOpened opens a lot. Its ID must be greater than that of every lot before it.
type LotOpened struct{ Lot Lot }

// LotChanged gives a lot another status. A closed or ended lot does not change again.
type LotChanged struct {
	LotID  int64
	Status string
	Reason string
}

// CycleBegun records that a part is about to be started. It must be durable before the first line
// is sent. At any time at most one cycle is begun and neither made nor interrupted.
type CycleBegun struct {
	Seq       int64 // number of the cycle, greater than that of every cycle before it
	LotID     int64
	JobIndex  int
	Ordinal   int   // nth cycle of the lot, from 1
	EndNumber int64 // line number that proves the body's last line was accepted
	Belt      Belt
}

// CycleMade records that the part of a begun cycle is complete.
type CycleMade struct {
	Seq         int64
	Belt        Belt
	FilamentMM  float64
	MachineTime time.Duration
	Evidence    string // EvidenceConfirmed or EvidenceLineNumber
}

// CycleDischarged records that a made part was moved off.
type CycleDischarged struct {
	Seq  int64
	Belt Belt
}

// CycleInterrupted records that it is unknown whether a begun part was completed.
type CycleInterrupted struct {
	Seq    int64
	Reason string
	Belt   Belt
}

// CycleDecided is the operator's decision on an interrupted part. Without a check and not good it
// is the machine's own: nothing of the cycle was laid on the belt, so there is neither a part nor
// scrap (CycleStateVoid).
type CycleDecided struct {
	Seq     int64
	Good    bool
	CheckID int64 // the check at which it was decided, 0 for none
	Note    string
}

// BeltMoved records the belt position outside a cycle.
type BeltMoved struct{ Belt Belt }

// HoldBegun records that the machine waits between parts.
type HoldBegun struct {
	ID       int64
	LotID    int64  // 0 when no lot was there
	State    string // the state of the machine, Held or Suspended
	Reason   string // code
	Text     string // the reason in words
	AtPart   int
	TravelMM float64 // belt travel when the hold began
}

// HoldEnded releases a hold.
type HoldEnded struct {
	ID       int64
	How      string
	By       string
	Override string // the reason given for releasing against a limit, empty when none was overridden
}

// CheckRecorded records a visit. A visit that counts more parts than were made is refused with
// ErrTooMany.
type CheckRecorded struct{ Check Check }

// EventNoted records something that the operator should know, in plain words.
type EventNoted struct {
	Kind string
	Text string
}

// StateChanged records the machine's state.
type StateChanged struct {
	State  string
	Reason string
}

// BoardSeen records what a board reported about itself. Stamp is set by reading and ignored by
// writing.
type BoardSeen struct {
	Port         string
	Firmware     string
	Capabilities map[string]bool
	StepsPerMM   float64 // of the belt axis; 0 when the board did not say

	Stamp Stamp
}
