package report

import "time"

// Visit is what a person found and did at the machine, as recorded.
type Visit struct {
	ID          int64          `json:"id"`
	At          time.Time      `json:"at"`
	By          string         `json:"by,omitempty"`
	Job         int            `json:"job,omitempty"` // from 1; 0: of the lot as a whole
	OffsetMM    *float64       `json:"offset_mm,omitempty"`
	LengthsMM   []float64      `json:"lengths_mm,omitempty"`
	Good        int            `json:"good"`
	Scrap       map[string]int `json:"scrap,omitempty"`
	DetachedMin []float64      `json:"detached_min,omitempty"` // after their begin
	// SetAside are numbers of lengths, from 1, that no limits were learned from.
	SetAside        []int64  `json:"set_aside,omitempty"`
	LengthsAccepted bool     `json:"lengths_accepted,omitempty"`
	Realigned       bool     `json:"realigned,omitempty"`
	BeltCleared     bool     `json:"belt_cleared,omitempty"`
	SpoolG          *float64 `json:"spool_g,omitempty"`
	BinEmptied      bool     `json:"bin_emptied,omitempty"`
	Note            string   `json:"note,omitempty"`
	TravelMM        float64  `json:"travel_mm"` // belt travel since the lot was opened
	Made            int      `json:"made"`      // parts of the lot made by then
	Corrects        int64    `json:"corrects,omitempty"`
	CorrectedBy     int64    `json:"corrected_by,omitempty"` // then it no longer counts
}

// Hold is a wait of the machine: held, suspended, or aborted after a fault.
type Hold struct {
	ID       int64      `json:"id"`
	State    string     `json:"state"`  // Held, Suspended or Aborted
	Reason   string     `json:"reason"` // a word, as in the metrics
	Text     string     `json:"text"`
	AtPart   int        `json:"at_part"` // parts made when it began
	TravelMM float64    `json:"travel_mm"`
	Begun    time.Time  `json:"begun"`
	Ended    *time.Time `json:"ended,omitempty"` // nil while it lasts
	// LengthS is how long it was, or is by now. ByWall says that it rests on the wall
	// clock, as the daemon was restarted in between.
	LengthS  float64 `json:"length_s"`
	ByWall   bool    `json:"by_wall_clock,omitempty"`
	How      string  `json:"how,omitempty"`
	By       string  `json:"by,omitempty"`
	Override string  `json:"override,omitempty"`
}

// Interruption is a part that was interrupted, and what was found of it.
type Interruption struct {
	Part    int        `json:"part"` // nth of the lot, from 1
	Job     int        `json:"job"`
	At      time.Time  `json:"at"`
	Reason  string     `json:"reason"`
	Found   string     `json:"found"` // good, scrap, void where nothing of it was laid, or empty while nobody has decided
	Decided *time.Time `json:"decided,omitempty"`
	By      string     `json:"by,omitempty"`
	Visit   int64      `json:"visit,omitempty"`
	Note    string     `json:"note,omitempty"`
}

// Alteration is a line that was withheld from a job or added to it.
type Alteration struct {
	Job  int    `json:"job"`
	Kind string `json:"kind"` // withheld or added
	Line int    `json:"line"` // of the file, from 1; an added line is sent before it
	Text string `json:"text"`
	Why  string `json:"why"`
}

// Event is something that was noted while the lot was open.
type Event struct {
	At   time.Time `json:"at"`
	Kind string    `json:"kind"`
	Text string    `json:"text"`
}

// foundVoid is what became of a part of which nothing was laid: nobody has to decide on it.
const foundVoid = "void"

// Part is one part that was begun.
type Part struct {
	Number     int       `json:"part"` // nth of the lot, from 1
	Job        int       `json:"job"`
	State      string    `json:"state"` // begun, made, discharged, interrupted, decided or void
	Good       *bool     `json:"good,omitempty"`
	Begun      time.Time `json:"begun"`
	CycleS     *float64  `json:"cycle_s,omitempty"`
	MakingS    *float64  `json:"making_s,omitempty"`
	TravelMM   *float64  `json:"belt_travel_mm,omitempty"`
	FilamentMM *float64  `json:"filament_mm,omitempty"`
	Evidence   string    `json:"evidence,omitempty"` // why it counts as made
}

// Intervention is something that a person changed of what was recorded, or did against what the machine said.
type Intervention struct {
	At   time.Time `json:"at"`
	Kind string    `json:"kind"` // correction, override, decision, lengths, scale or end
	What string    `json:"what"`
	By   string    `json:"by,omitempty"`
	Why  string    `json:"why,omitempty"`
}
