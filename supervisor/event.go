package supervisor

import (
	"beltwarden/serialio"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// Event is something that can happen to a [Machine]. Each has one branch in Step.
type Event interface{ event() }

// Progressed carries the running totals of what the board has accepted since the process began. The
// run delivers it ahead of the event that it belongs to.
type Progressed struct{ Progress }

// Progress totals the effect of accepted lines. Lengths are commanded millimetres.
type Progress struct {
	TravelMM   float64     // sum of absolute belt movement
	AdvanceMM  float64     // signed along the forward direction
	FilamentMM float64     // net
	PendingMM  float64     // belt travel handed out and not yet accepted
	PlannedMM  float64     // belt travel accepted last, which the board may not have run yet
	Lines      int64       // accepted lines of programs
	SavedBytes int64       // bytes saved by shortening jobs' lines when they were handed out
	State      gcode.State // modal state and position after the newest line handed out
}

type (
	// LinkFailed: the port could not be opened.
	LinkFailed struct{ Err error }
	// LinkSynced: board and sender are in step; LastNumber is the board's last
	// accepted line number, or -1, and Reset whether it announced a restart.
	LinkSynced struct {
		LastNumber int64
		Reset      bool
	}
	// LinkLost: the connection is over.
	LinkLost struct{ Err error }
	// ProgramDone: all lines of a program were accepted.
	ProgramDone struct{ ID uint64 }
	// ProgramCancelled: a program was cut short, its lines in flight are settled.
	ProgramCancelled struct{ ID uint64 }
	// ProgramFailed: a program could not continue for a reason on our side.
	ProgramFailed struct {
		ID  uint64
		Err error
	}
	// Reported: the board sent something unsolicited.
	Reported struct{ Reply serialio.Reply }
	// Tick: the time of [Machine.Deadline] has come.
	Tick struct{}
	// LedgerFailed: records could not be stored, so nothing may rest on them.
	LedgerFailed struct {
		Err     error
		Dropped uint64 // the program that rested on them and was not sent, 0: none
	}
	// Shutdown: the process is about to end; heaters first.
	Shutdown struct{}
)

func (Progressed) event()       {}
func (LinkFailed) event()       {}
func (LinkSynced) event()       {}
func (LinkLost) event()         {}
func (ProgramDone) event()      {}
func (ProgramCancelled) event() {}
func (ProgramFailed) event()    {}
func (Reported) event()         {}
func (Tick) event()             {}
func (LedgerFailed) event()     {}
func (Shutdown) event()         {}
func (Request) event()          {}

// Request is an operator's request: a command, a visit, or a new lot.
type Request struct {
	Command  Command // StateComplete when the request is not a command
	By       string  // who made the request
	Override string  // reason for continuing against the machine's advice; recorded
	// AfterPart makes Stop wait until the part in progress is discharged.
	AfterPart bool
	// Continue makes Clear and Reset continue with the open lot, as far as it may begin.
	Continue bool
	// Repair describes the repair by which Clear releases a heat fault; it is recorded.
	Repair string
	// ClearBelt makes Stop run the parts over the drop edge.
	ClearBelt  bool
	Visit      *Visit
	Lot        *LotRequest
	Quote      *LotRequest // asks what this lot would take; nothing is recorded
	Scale      *ScaleRequest
	TrialBegin *TrialBegin
	TrialEnd   *TrialEnd
	SetupMove  *SetupMove
	SetupFound *SetupFound
	EndLot     bool // give up the open lot, or close it when it is fulfilled
	// Acknowledge only states that somebody knows, so that no others are called.
	Acknowledge bool
}

// LotRequest requests a lot of jobs that have been inspected.
type LotRequest struct {
	Name  string
	Order string // "blocks": one job after the other; "turn": one part of each in turn
	Plans []*job.Plan
	Good  []int            // ordered good parts, one for each plan
	Sizes []book.SizeOrder // length that the parts of each job should have; nil for none, or one for each job
	Start bool             // begin at once

	// NoFirstArticle is the reason for which the lot does not hold after its first parts; empty: it does.
	NoFirstArticle string

	Particulars ledger.Particulars // for the report
}

// Visit is what the operator found and did at the machine.
type Visit struct {
	OffsetMM  *float64  `json:"offset_mm,omitempty"` // lateral offset as found, before any realignment
	LengthsMM []float64 `json:"lengths_mm,omitempty"`
	// SetAside are the numbers, from 1, of earlier lengths of the job that no control limits are to be
	// learned from; Note gives the reason. AcceptLengths accepts the lengths that gave a signal as
	// they are.
	SetAside      []int          `json:"set_aside,omitempty"`
	AcceptLengths bool           `json:"accept_lengths,omitempty"`
	Good          int            `json:"good,omitempty"`
	Scrap         map[string]int `json:"scrap,omitempty"`       // count by reason
	Job           int            `json:"job,omitempty"`         // index, from 0, of the job the counts belong to
	Interrupted   string         `json:"interrupted,omitempty"` // "", "good" or "scrap": decision on an interrupted part
	Realigned     bool           `json:"realigned,omitempty"`
	BeltCleared   bool           `json:"belt_cleared,omitempty"` // nothing lies under or just in front of the head
	SeamMM        *float64       `json:"seam_mm,omitempty"`      // middle of the seam, ahead of the nozzle towards the drop edge
	SpoolG        *float64       `json:"spool_g,omitempty"`
	BinEmptied    bool           `json:"bin_emptied,omitempty"`
	Note          string         `json:"note,omitempty"`
	// DetachedMin are the minutes after their beginning at which parts came off the belt. They are
	// scrap for the reason "detached", and are counted as such if that reason is not given.
	DetachedMin []float64 `json:"detached_min,omitempty"`
	Surface     string    `json:"surface,omitempty"`  // how the belt's surface was renewed: cleaned or taped
	Did         []string  `json:"did,omitempty"`      // care that was done, by its name in the configuration
	Corrects    int64     `json:"corrects,omitempty"` // the check that this one replaces as a whole
	Sure        bool      `json:"sure,omitempty"`     // confirms a value that looks unlikely
}

// Result is the answer to a request that was carried out.
type Result struct {
	LotID   int64  `json:"lot,omitempty"`
	CheckID int64  `json:"check,omitempty"`
	State   State  `json:"state"`
	Text    string `json:"text"`
	// Trial is the result of a trial, at its end.
	Trial *TrialResult `json:"trial,omitempty"`
	// Quote answers a request for one; nil where the lot is none.
	Quote *Quote `json:"-"`
}

// Effect is something the run must do after a step.
type Effect interface{ effect() }

// intent marks the effects that rest on the records of their step: they are not carried out if those
// could not be stored. Every other effect is carried out whatever the ledger's state: it makes the
// machine safe or keeps in touch with it, and the machine continues as if it were done.
type intent interface {
	Effect
	programID() uint64
}

// Program is a sequence of lines for the board: literal lines, a section of a job file, or lines, then
// a section, then more lines.
type Program struct {
	Before  []string
	Plan    *job.Plan // nil: literal lines only
	Section job.SectionKind
	// EndNumber, when positive, is the line number given to the last line of the section, so that the
	// board's last accepted number proves the section.
	EndNumber int64
	After     []string
}

type (
	// OpenLink opens the port and starts a connection.
	OpenLink struct{}
	// CloseLink ends the connection, if there is one.
	CloseLink struct{}
	// RunProgram streams a program that moves or heats. It is the only intent.
	RunProgram struct {
		ID      uint64
		Program Program
	}
	// RunSafe streams lines that switch off and query, and neither move nor heat.
	RunSafe struct {
		ID    uint64
		Lines []string
	}
	// CancelProgram takes no further lines from the running program.
	CancelProgram struct{}
	// SendControl sends one control line ahead of the program.
	SendControl struct{ Text string }
	// SendUrgent puts raw bytes on the wire at once.
	SendUrgent struct{ Bytes string }
)

func (OpenLink) effect()      {}
func (CloseLink) effect()     {}
func (RunProgram) effect()    {}
func (RunSafe) effect()       {}
func (CancelProgram) effect() {}
func (SendControl) effect()   {}
func (SendUrgent) effect()    {}

func (e RunProgram) programID() uint64 { return e.ID }

// Output is what a step requests. Records are committed in one transaction before any effect is
// carried out: intent reaches the ledger before bytes reach the wire. If they cannot be stored,
// intents are dropped. A refusal changes nothing.
type Output struct {
	Records []ledger.Record
	Effects []Effect
	Result  Result
	Refused error
	// Deferred: the Settled of a later step answers the request.
	Deferred bool
	Settled  *Settled
}

// Settled is the outcome of a request that took more than one step.
type Settled struct {
	Result  Result
	Refused error
}
