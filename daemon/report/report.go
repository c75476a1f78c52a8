// Package report says what became of a lot: how many parts, of what size, at what
// cost of time, belt and filament, and who did what. It reads the ledger and
// writes a page, a table and, by its tags, JSON. It is given to people who were not
// there, so it says of every figure what it rests on, and of what was never
// recorded that it was not.
package report

import (
	"context"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// Who a report is written for.
const (
	ForWorkshop = "workshop" // everything
	ForCustomer = "customer" // what was ordered, found good and measured, and when
)

// Ledger is what a report is read from.
type Ledger interface {
	Lot(ctx context.Context, id int64) (ledger.Lot, error)
	Counts(ctx context.Context, lotID int64) (ledger.Counts, error)
	Cycles(ctx context.Context, lotID int64) ([]ledger.Cycle, error)
	Holds(ctx context.Context, lotID int64) ([]ledger.Hold, error)
	Checks(ctx context.Context, lotID int64, limit int) ([]ledger.Check, error)
	Times(ctx context.Context, lotID int64) (ledger.Times, error)
	Sizes(ctx context.Context, lotID int64) (map[int]ledger.SizeOrdered, error)
	Course(ctx context.Context, lotID int64) (ledger.Course, error)
	Events(ctx context.Context, limit int, afterSeq int64) ([]ledger.Event, error)
}

// Settings are what a report needs and the ledger does not hold. A zero value is unknown: the report
// leaves out what needs it, and says so.
type Settings struct {
	Machine       string  // name of the machine
	OffsetLimitMM float64 // largest lateral offset at which parts may be made, to either side
	// FilamentGPerMM is the mass of a millimetre of filament.
	FilamentGPerMM float64
	Sender         string // who makes the parts, as the customer is to read it
	Rates          Rates
}

// Report is one lot as the ledger has it. Times are in the zone of the time at
// which it was written.
type Report struct {
	For     string    `json:"for"` // workshop or customer
	Written time.Time `json:"written_at"`
	Lot     Lot       `json:"lot"`
	// Provisional says why the figures can still change; empty when they will not,
	// unless a visit is corrected later.
	Provisional []string `json:"provisional,omitempty"`
	Ordered     int      `json:"ordered"`
	Good        int      `json:"good"` // found good by a person
	Jobs        []Job    `json:"jobs"`
	// Remarks say what was not recorded, and what a figure rests on.
	Remarks []string `json:"remarks,omitempty"`
	// Workshop is what only the workshop may see; nil in a report for a customer.
	Workshop *Workshop `json:"workshop,omitempty"`
}

// Lot is the order and its dates.
type Lot struct {
	ID        int64      `json:"id"`
	Name      string     `json:"name"`
	Status    string     `json:"status"` // open, made, closed or ended
	Opened    time.Time  `json:"opened"`
	FirstPart *time.Time `json:"first_part_begun,omitempty"`
	LastPart  *time.Time `json:"last_part_made,omitempty"`
	Ended     *time.Time `json:"ended,omitempty"` // when it was closed or given up
	// Sender is who makes the parts; the others are what was given with the order.
	Sender        string `json:"sender,omitempty"`
	OrderNumber   string `json:"order_number,omitempty"`
	Material      string `json:"material,omitempty"`
	MaterialBatch string `json:"material_batch,omitempty"`
}

// Job is one part of the order.
type Job struct {
	Number  int    `json:"job"` // from 1
	Name    string `json:"name"`
	File    string `json:"file"` // name without its directory
	SHA256  string `json:"sha256"`
	Ordered int    `json:"ordered"`
	Good    int    `json:"good"`
	Size    *Size  `json:"size,omitempty"` // nil when nothing was measured or ordered

	Workshop *JobWorkshop `json:"workshop,omitempty"`
}

// JobWorkshop is what only the workshop may see of a job.
type JobWorkshop struct {
	Path             string  `json:"path"`
	Begun            int     `json:"begun"`
	Made             int     `json:"made"`
	Scrap            int     `json:"scrap"` // interrupted parts decided scrap among them
	Unverified       int     `json:"unverified"`
	Undecided        int     `json:"interrupted_undecided"`
	PlannedS         float64 `json:"planned_s"` // of one part when the lot was opened; 0: not known
	Cycle            Spread  `json:"cycle_s"`   // from a part's begin until it is moved off
	Making           Spread  `json:"making_s"`  // from a part's begin until the board had made it
	FilamentMM       float64 `json:"filament_mm"`
	FilamentMMOfFile float64 `json:"filament_mm_per_part_by_file"`
	TravelMM         Spread  `json:"belt_travel_mm"` // of a part, moving off included
	Control          Control `json:"control"`
	Withheld         int     `json:"lines_withheld"`
	Added            int     `json:"lines_added"`
}

// Workshop is what only the workshop may see of a lot.
type Workshop struct {
	Machine     string   `json:"machine,omitempty"`
	Provisional []string `json:"provisional,omitempty"` // the same as in Report, with the inner reasons
	Reason      string   `json:"reason,omitempty"`      // why the lot has its status
	Order       string   `json:"order"`                 // blocks or turn

	Begun            int            `json:"begun"`
	Made             int            `json:"made"`
	Scrap            int            `json:"scrap"`
	ScrapByReason    map[string]int `json:"scrap_by_reason"`
	Unverified       int            `json:"unverified"`
	Undecided        int            `json:"interrupted_undecided"`
	InterruptedGood  int            `json:"interrupted_good"`
	InterruptedScrap int            `json:"interrupted_scrap"`
	Yield            *Yield         `json:"yield,omitempty"`

	Cycle      Spread                `json:"cycle_s"`
	Production supervisor.Production `json:"production"`
	Belt       Belt                  `json:"belt"`
	Filament   Filament              `json:"filament"`
	Cost       Cost                  `json:"cost"`

	Visits        []Visit        `json:"visits"`
	VisitTimes    int            `json:"visit_times"` // visits with the belt unmoved between them are one
	Holds         []Hold         `json:"holds"`
	Interruptions []Interruption `json:"interruptions"`
	Interventions []Intervention `json:"interventions"`
	Alterations   []Alteration   `json:"alterations"`
	Events        []Event        `json:"events"`
	Parts         []Part         `json:"parts"`
}

// Yield is the fraction of good parts among those looked at, with its 95 % Wilson
// interval.
type Yield struct {
	Fraction float64 `json:"fraction"`
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
	Seen     int     `json:"seen"` // parts looked at
}

// Belt is where the belt went while the lot was open.
type Belt struct {
	TravelMM float64 `json:"travel_mm"` // all of it, trials and clearing included
	PartsMM  float64 `json:"parts_mm"`  // of it in parts, interrupted ones included
	// PerGoodMM is all of the travel shared among the good parts; nil without any.
	PerGoodMM   *float64   `json:"per_good_mm,omitempty"`
	UncertainMM float64    `json:"uncertain_mm"` // may or may not have been run beside it
	LimitMM     float64    `json:"offset_limit_mm"`
	Offsets     []Offset   `json:"offsets"`
	Rescaled    []Rescaled `json:"rescaled"`
}

// Offset is a reading of the lateral offset as it was found. Realigned says that the
// belt was realigned after it; a visit can record that without a reading.
type Offset struct {
	Visit     int64     `json:"visit"`
	At        time.Time `json:"at"`
	TravelMM  float64   `json:"travel_mm"` // since the lot was opened
	OffsetMM  *float64  `json:"offset_mm,omitempty"`
	Realigned bool      `json:"realigned"`
}

// Rescaled is a change of the belt's scale on the board.
type Rescaled struct {
	At       time.Time `json:"at"`
	TravelMM float64   `json:"travel_mm"` // since the lot was opened
	From     float64   `json:"from_steps_per_mm"`
	To       float64   `json:"to_steps_per_mm"`
}

// Customer returns the report for a customer: what was ordered, found good and
// measured, and when. Nothing else is in it, in none of its forms.
func (r *Report) Customer() *Report {
	c := *r
	c.For, c.Workshop, c.Remarks = ForCustomer, nil, nil
	c.Jobs = make([]Job, len(r.Jobs))
	for i, j := range r.Jobs {
		j.Workshop = nil
		if j.Size != nil {
			j.Size = j.Size.customer()
		}
		c.Jobs[i] = j
	}
	c.Remarks = []string{
		"Good means: looked at by a person and found good. How many parts were delivered is not recorded here; the delivery note says it.",
	}
	return &c
}
