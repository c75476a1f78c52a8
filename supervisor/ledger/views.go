package ledger

import "time"

// The states of a cycle. The only ways are begun, made, discharged; begun, interrupted, decided; and begun, void.
const (
	CycleStateBegun       = "begun"
	CycleStateMade        = "made"
	CycleStateDischarged  = "discharged"
	CycleStateInterrupted = "interrupted"
	CycleStateDecided     = "decided"
	CycleStateVoid        = "void" // given up before anything of it was laid; stored as decided, not good, by no check
)

// Cycle is one cycle in the ledger. A Stamp with Seq 0 belongs to a step not taken.
type Cycle struct {
	Seq       int64
	LotID     int64
	JobIndex  int
	Ordinal   int
	EndNumber int64
	State     string // CycleStateBegun and so on

	FilamentMM  float64       // once made
	MachineTime time.Duration // once made
	Evidence    string        // once made
	Reason      string        // once interrupted
	Good        bool          // once decided
	CheckID     int64         // once decided, 0 for none
	Note        string        // once decided

	Begun       Stamp
	Made        Stamp
	Discharged  Stamp
	Interrupted Stamp
	Decided     Stamp
	BegunBelt   Belt // the belt when the cycle began
	MadeBelt    Belt // the belt when the part was made
}

// Counts are the parts of one lot. Made + InterruptedScrap = Good + Scrap + Unverified always holds.
type Counts struct {
	LotID            int64
	Ordered          int            // good parts ordered
	CyclesBegun      int            // those that are void left out
	Void             int            // cycles given up before anything of them was laid: no part, and no scrap
	Running          int            // cycles begun whose end is not recorded, 0 or 1
	Confirmed        int            // cycles shown complete by the board
	Made             int            // Confirmed, InterruptedGood and InterruptedScrap; good, scrap and not looked at are as many
	Good             int            // found good at checks, and InterruptedGood
	Scrap            int            // found bad at checks, and InterruptedScrap
	Unverified       int            // confirmed parts that no check has counted
	Interrupted      int            // interrupted parts that wait for the operator's decision
	InterruptedGood  int            // interrupted parts decided good
	InterruptedScrap int            // interrupted parts decided scrap
	ScrapByReason    map[string]int // adds up to Scrap
	ByJob            []JobCounts    // in the order of the lot's jobs
}

// JobCounts are the parts of one job of a lot. CheckedGood and CheckedScrap hold only what checks assigned to this job;
// in a lot of one job that is everything.
type JobCounts struct {
	Index            int
	Name             string
	Ordered          int
	CyclesBegun      int // those that are void left out
	Void             int
	Confirmed        int
	Made             int
	Interrupted      int
	InterruptedGood  int
	InterruptedScrap int
	CheckedGood      int
	CheckedScrap     int
}

// Hold is one hold as the ledger has it. Ended.Seq is 0 while it lasts.
type Hold struct {
	ID       int64
	LotID    int64
	State    string
	Reason   string
	Text     string
	AtPart   int
	TravelMM float64
	Begun    Stamp

	Ended    Stamp
	How      string
	By       string
	Override string
}

// Event is one noted event.
type Event struct {
	Stamp Stamp
	Kind  string
	Text  string
}

// State is a state of the machine as it was recorded.
type State struct {
	Stamp  Stamp
	State  string
	Reason string
}

// Boot is one start of a process that wrote to the ledger.
type Boot struct {
	Number  int64     // what Stamp.Boot refers to
	BootID  string    // the kernel's boot identifier, or a random one where there is none
	StartID string    // random, one for each start
	At      time.Time // wall time, information only
}

// Receiver is the outbox of one receiver of alerts.
type Receiver struct {
	Name      string
	Pending   int    // alerts not yet delivered
	Failing   int    // pending alerts with at least one failed attempt
	Delivered int    // alerts delivered, those collected in the message of another included
	LastError string // of the newest failed attempt on a pending alert
	Oldest    Stamp  // of the oldest pending alert
	LastSent  Stamp  // of the newest delivery
}

// NextIDs are the identifiers that the next records must use.
type NextIDs struct {
	Lot   int64
	Cycle int64
	Hold  int64
	Check int64
}
