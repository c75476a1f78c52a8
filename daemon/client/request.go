package client

import (
	"beltwarden/supervisor"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// CommandRequest is one of the ten commands of ANSI/ISA-TR88.00.02.
type CommandRequest struct {
	Command supervisor.Command `json:"command"` // by name, in any case
	// By is who asks; empty takes the user at the other end of the socket.
	By string `json:"by,omitempty"`
	// Override is the reason for going on against the machine's advice; it is kept.
	Override string `json:"override,omitempty"`
	// AfterPart makes stop wait until the part in progress is off the belt.
	AfterPart bool `json:"after_part,omitempty"`
	// GoOn makes clear and reset go on with the open lot, as far as it may begin.
	GoOn bool `json:"go_on,omitempty"`
	// Mended is what was mended after a heat fault: nothing else lets clear release one. It is kept.
	Mended string `json:"mended,omitempty"`
	// ClearBelt makes stop run the parts over the drop edge.
	ClearBelt bool `json:"clear_belt,omitempty"`
}

// CheckRequest is a visit: what the operator found and did at the machine.
type CheckRequest struct {
	supervisor.Visit
	By string `json:"by,omitempty"`
}

// LotRequest asks for a lot.
type LotRequest struct {
	Name  string `json:"name,omitempty"`  // empty takes that of the first job
	Order string `json:"order,omitempty"` // "blocks" (default) or "turn"
	// Jobs are absolute paths of job files that the daemon can read, names of stored ones, or
	// copies that earlier lots were made from: "lot:7:1" is the first job of lot 7.
	Jobs []string `json:"jobs"`
	Good []int    `json:"good"` // good parts ordered, one count for all jobs or one for each
	// Sizes are the lengths that the parts should have, one for all jobs or one for each;
	// none for no tolerance.
	Sizes []book.SizeOrder `json:"sizes,omitempty"`
	// Parts are the lines of each job that make the part, and the lot keeps them; none, or a zero
	// one for a job: they are found.
	Parts []job.Lines `json:"part_lines,omitempty"`
	// NoFirstArticle is the reason for which the lot does not hold after its first parts; empty: it does. It is kept.
	NoFirstArticle string `json:"no_first_article,omitempty"`
	// Start begins the lot at once, making the machine ready first if need be.
	Start bool   `json:"start,omitempty"`
	By    string `json:"by,omitempty"`
	// Particulars are for the report: no part depends on them.
	Particulars *ledger.Particulars `json:"particulars,omitempty"`
}

// EndRequest gives up a lot.
type EndRequest struct {
	By     string `json:"by,omitempty"`
	Reason string `json:"reason,omitempty"`
}
