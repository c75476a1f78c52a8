package client

import (
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// Stamp says where a record stands. Records are ordered by Seq alone; the wall
// time is information, since the clock may have been wrong.
type Stamp struct {
	Seq         int64     `json:"seq"`
	Boot        int64     `json:"boot"` // number of the process start that wrote it
	At          time.Time `json:"at"`
	SinceStartS float64   `json:"since_start_s"` // seconds since that start
}

// LotSummary is one lot of a list.
type LotSummary struct {
	ID          int64      `json:"id"`
	Name        string     `json:"name"`
	Status      string     `json:"status"`           // open, made, closed or ended
	Reason      string     `json:"reason,omitempty"` // why it has that status
	Order       string     `json:"order"`            // blocks or turn
	Ordered     int        `json:"ordered"`
	CyclesBegun int        `json:"cycles_begun"`
	Made        int        `json:"made"`
	Good        int        `json:"good"`
	Scrap       int        `json:"scrap"`
	Unverified  int        `json:"unverified"`
	Interrupted int        `json:"interrupted"`
	Opened      Stamp      `json:"opened"`
	Changed     Stamp      `json:"changed"`
	Jobs        []JobTally `json:"jobs"`
	// Particulars are what was given for the report; nil for nothing.
	Particulars *ledger.Particulars `json:"particulars,omitempty"`
}

// JobTally is one job of a lot with its counts. Good and Scrap hold only what
// checks gave to this job.
type JobTally struct {
	Index                int     `json:"index"` // from 0
	Name                 string  `json:"name"`
	Path                 string  `json:"path"`
	SHA256               string  `json:"sha256"`
	Copy                 string  `json:"copy,omitempty"` // names the copy that is kept, to make another lot of; only of a single lot
	Ordered              int     `json:"ordered"`
	CyclesBegun          int     `json:"cycles_begun"`
	Made                 int     `json:"made"`
	Good                 int     `json:"good"`
	Scrap                int     `json:"scrap"`
	Interrupted          int     `json:"interrupted"`
	FilamentMMPerCycle   float64 `json:"filament_mm_per_cycle"`
	BeltTravelMMPerCycle float64 `json:"belt_travel_mm_per_cycle"` // discharge included
	PitchMM              float64 `json:"pitch_mm"`
}

// Count is the lot's balance.
func (l LotSummary) Count() book.Count {
	return book.Count{Ordered: l.Ordered, Made: l.Made, Good: l.Good, Scrap: l.Scrap, Interrupted: l.Interrupted}
}

// Count is the job's balance.
func (j JobTally) Count() book.Count {
	return book.Count{Ordered: j.Ordered, Made: j.Made, Good: j.Good, Scrap: j.Scrap, Interrupted: j.Interrupted}
}

// LotDetail is one lot with its history, each list in the order of the ledger.
type LotDetail struct {
	LotSummary
	// ScrapByReason counts what was found bad, by the operator's words.
	ScrapByReason    map[string]int `json:"scrap_by_reason"`
	InterruptedGood  int            `json:"interrupted_good"`
	InterruptedScrap int            `json:"interrupted_scrap"`
	Cycles           []Cycle        `json:"cycles"`
	Holds            []Hold         `json:"holds"`
	Checks           []Check        `json:"checks"`
	// Figures are the production figures by ISO 22400-2 with what the time went to.
	Figures supervisor.Production `json:"figures"`
	// Adhesion is how long parts, of all lots, have stayed on the belt's present surface.
	Adhesion    supervisor.Adhesion `json:"adhesion"`
	Alterations []Alteration        `json:"alterations"`
}

// Cycle is the making of one part.
type Cycle struct {
	Seq          int64   `json:"seq"`
	JobIndex     int     `json:"job"`
	Ordinal      int     `json:"ordinal"` // nth cycle of the lot, from 1
	State        string  `json:"state"`   // begun, made, discharged, interrupted, decided or void
	FilamentMM   float64 `json:"filament_mm"`
	MachineTimeS float64 `json:"machine_time_s"`
	Evidence     string  `json:"evidence,omitempty"` // why it counts as made
	Reason       string  `json:"reason,omitempty"`   // why it was interrupted
	Good         *bool   `json:"good,omitempty"`     // the operator's word on an interrupted part
	Check        int64   `json:"check,omitempty"`    // the check at which that was said
	Note         string  `json:"note,omitempty"`
	BegunAtMM    float64 `json:"begun_at_travel_mm"` // belt travel when it began
	Begun        Stamp   `json:"begun"`
	Made         *Stamp  `json:"made,omitempty"`
	Discharged   *Stamp  `json:"discharged,omitempty"`
	Interrupted  *Stamp  `json:"interrupted,omitempty"`
	Decided      *Stamp  `json:"decided,omitempty"`
}

// Void reports whether the cycle was given up before anything of it was laid: it is no part.
func (c *Cycle) Void() bool { return c.State == "void" }

// Hold is one wait between parts.
type Hold struct {
	ID       int64   `json:"id"`
	State    string  `json:"state"` // Held or Suspended
	Reason   string  `json:"reason"`
	Text     string  `json:"text"`
	AtPart   int     `json:"at_part"`
	TravelMM float64 `json:"travel_mm"`
	Begun    Stamp   `json:"begun"`
	Ended    *Stamp  `json:"ended,omitempty"` // nil while it lasts
	How      string  `json:"how,omitempty"`
	By       string  `json:"by,omitempty"`
	Override string  `json:"override,omitempty"`
}

// Check is one recorded visit.
type Check struct {
	ID          int64          `json:"id"`
	At          time.Time      `json:"at"`
	JobIndex    *int           `json:"job,omitempty"`
	OffsetMM    *float64       `json:"offset_mm,omitempty"`
	LengthsMM   []float64      `json:"lengths_mm,omitempty"`
	Good        int            `json:"good"`
	Scrap       map[string]int `json:"scrap,omitempty"`
	DetachedMin []float64      `json:"detached_min,omitempty"` // when parts came off, after their begin
	// SetAside are numbers, from 1, of lengths that no control limits are learned from;
	// LengthsAccepted took the others as they were. Note says why.
	SetAside        []int64  `json:"set_aside,omitempty"`
	LengthsAccepted bool     `json:"lengths_accepted,omitempty"`
	Realigned       bool     `json:"realigned"`
	BeltCleared     bool     `json:"belt_cleared"`
	SpoolG          *float64 `json:"spool_g,omitempty"`
	BinEmptied      bool     `json:"bin_emptied"`
	Note            string   `json:"note,omitempty"`
	By              string   `json:"by,omitempty"`
	TravelMM        float64  `json:"travel_mm"`
	AdvanceMM       float64  `json:"advance_mm"`
	CyclesMade      int      `json:"cycles_made"`
	Corrects        int64    `json:"corrects,omitempty"`
	CorrectedBy     int64    `json:"corrected_by,omitempty"`
	Stamp           Stamp    `json:"stamp"`
}

// Alteration is one line withheld from a job or added to it.
type Alteration struct {
	JobIndex int    `json:"job"`
	Kind     string `json:"kind"` // withheld or added
	Line     int    `json:"line"` // of the file, from 1; an added line is sent before it
	Text     string `json:"text"`
	Why      string `json:"why"`
}

// Event is something noted in plain words.
type Event struct {
	Stamp
	Kind string `json:"kind"`
	Text string `json:"text"`
}
