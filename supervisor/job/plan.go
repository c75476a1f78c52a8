// Package job reads a sliced file for one part, splits it into what is done once before, for every
// part and once after, measures one part, and decides which lines must not reach a belt machine.
//
// Files are streamed: memory does not grow with the file.
package job

//go:generate go run ../../testdata/jobs/gen -dir ../../testdata/jobs

import (
	"encoding/json"
	"time"

	"beltwarden/supervisor/gcode"
)

// Severity ranks a finding.
type Severity string

// Severities. An error keeps a lot from starting.
const (
	Info    Severity = "info"
	Warning Severity = "warning"
	Error   Severity = "error"
)

// Finding is something in the job that someone should know before it runs.
type Finding struct {
	Line     int64    `json:"line"` // 1 is the first; 0 is the file as a whole
	Severity Severity `json:"severity"`
	Code     string   `json:"code"`
	Text     string   `json:"text"`
	Remedy   string   `json:"remedy"`
}

// Change is a line withheld from the machine or added to what it gets.
type Change struct {
	// Line of the file that is withheld, or before which the text is added. An
	// added line beyond its section comes at the section's end.
	Line    int64       `json:"line"`
	Section SectionKind `json:"section"`
	Text    string      `json:"text"`
	Why     string      `json:"why"`
}

// SectionKind names a section.
type SectionKind string

// Sections of a job.
const (
	LeadIn  SectionKind = "lead_in"
	Body    SectionKind = "body"
	LeadOut SectionKind = "lead_out"
)

// Section is a run of lines of the file.
type Section struct {
	// FirstLine and LastLine are inclusive; LastLine is FirstLine-1 when the
	// section is empty.
	FirstLine int64 `json:"first_line"`
	LastLine  int64 `json:"last_line"`
	// FromByte is the offset of the section's first byte, ToByte one past its last.
	FromByte int64 `json:"from_byte"`
	ToByte   int64 `json:"to_byte"`
	// Why is the reason for the cut.
	Why string `json:"why"`
	// SendLines is how many lines go to the machine, repeats unrolled, added
	// ones included.
	SendLines int64 `json:"send_lines"`

	// CRC-32C of the file up to FromByte and up to ToByte, to notice a changed file.
	crcFrom, crcTo uint32
}

// Extent is [lowest, highest] of each axis, mm.
type Extent struct {
	X [2]float64 `json:"x"`
	Y [2]float64 `json:"y"`
	Z [2]float64 `json:"z"`
}

// Axis returns the extent of X, Y or Z.
func (e *Extent) Axis(a gcode.Axis) [2]float64 {
	switch a {
	case gcode.X:
		return e.X
	case gcode.Y:
		return e.Y
	default:
		return e.Z
	}
}

// Unknown is a command that is not followed, and how often it occurs.
type Unknown struct {
	Word  string `json:"word"`
	Line  int64  `json:"line"` // where it first occurs
	Count int64  `json:"count"`
}

// Plan is everything known of a job before it runs. Measures are those of one body, repeats inside
// it unrolled.
type Plan struct {
	Path        string `json:"path"`
	SHA256      string `json:"sha256"`
	SourceBytes int64  `json:"source_bytes"`
	Lines       int64  `json:"lines"`

	// The three sections, in JSON under "sections".
	LeadIn  Section `json:"-"`
	Body    Section `json:"-"`
	LeadOut Section `json:"-"`

	// Evidence is what decided where the part begins and ends, or might have.
	Evidence []Evidence `json:"evidence"`

	// Begin and End are the machine's state at the start and end of the body.
	Begin gcode.State `json:"-"`
	End   gcode.State `json:"-"`

	Withheld []Change `json:"withheld"`
	Added    []Change `json:"added"`

	// OtherOff are the words that switch off what the job heats beside the nozzle and the
	// bed: a chamber, other nozzles.
	OtherOff []string `json:"other_off,omitempty"`

	// BeltTravelMM is the sum of absolute belt movement.
	BeltTravelMM float64 `json:"belt_travel_mm"`
	// BeltAdvanceMM is the net belt movement, + towards the drop edge.
	BeltAdvanceMM float64 `json:"belt_advance_mm"`
	// LeadInBeltMM and LeadOutBeltMM are the absolute belt movement of the lines
	// before and after the body.
	LeadInBeltMM  float64 `json:"lead_in_belt_mm"`
	LeadOutBeltMM float64 `json:"lead_out_belt_mm"`
	// ExtentMM is what is touched while extruding, in the coordinates in force
	// where the body begins.
	ExtentMM Extent `json:"extent_mm"`
	// TravelExtentMM is the same for all moves of the body, where they start included.
	TravelExtentMM Extent `json:"travel_extent_mm"`
	// FilamentGrossMM is the sum of all pushes of the body, what is given back after a
	// retraction included: how much the extruder's wheel turns forward.
	FilamentGrossMM float64 `json:"filament_gross_mm"`
	// FilamentMM is the net filament of one cycle: the body's own and what is
	// given back before the next.
	FilamentMM  float64 `json:"filament_mm"`
	FilamentCM3 float64 `json:"filament_cm3"`
	FilamentG   float64 `json:"filament_g"`
	// Layers is how many times the part grows to a new height (on a tilted
	// gantry: a new belt position).
	Layers int64 `json:"layers"`
	// Duration is the time in motion by a look-ahead planner with the board's limits,
	// and dwells. Heating, cooling and the discharge come on top.
	Duration time.Duration `json:"-"`
	// Heat is how long one part waits for temperatures, in JSON heat_up_s, cool_s, cool_low_s,
	// cool_high_s and reheat_s.
	Heat HeatTimes `json:"-"`
	// PeakSpeedMMPerS and PeakAccelMMPerS2 are the most that the body asks of each
	// axis; an acceleration of 0 means that the job leaves it to the board.
	PeakSpeedMMPerS  Peak `json:"peak_speed_mm_per_s"`
	PeakAccelMMPerS2 Peak `json:"peak_acceleration_mm_per_s2"`
	// PitchMM is the belt advance from this part's origin to the next.
	PitchMM float64 `json:"pitch_mm"`
	// PartsOnBelt is the most finished parts on the belt at one time; 0 when the drop
	// edge is not known.
	PartsOnBelt int `json:"parts_on_belt"`
	// Placing says where parts may lie.
	Placing Placing `json:"placing"`
	// WireBytes is what one body puts on the wire with a line feed a line and
	// without line numbers and checksums.
	WireBytes int64 `json:"wire_bytes"`
	// SentSourceBytes is what the same lines take up in the file, comments and
	// white space on them included, line ends counted as one byte.
	SentSourceBytes int64 `json:"sent_source_bytes"`

	Findings []Finding `json:"findings"`
	Unknown  []Unknown `json:"unknown"`

	file     string  // the file to read: the job itself, or a copy of it
	options  Options // lines are judged by them again when they are sent
	identity identity
}

// MarshalJSON writes the plan with its sections under one key and its duration
// in seconds.
func (p *Plan) MarshalJSON() ([]byte, error) {
	var cool, low, high *time.Duration
	if w := p.Heat.Cool; w != nil {
		if low, high = &w.Low, &w.High; w.Sure {
			cool = &w.Mid
		}
	}
	type plain Plan // drops this method
	return json.Marshal(struct {
		*plain
		Sections  map[SectionKind]Section `json:"sections"`
		DurationS float64                 `json:"duration_s"`
		HeatUpS   *float64                `json:"heat_up_s"`
		CoolS     *float64                `json:"cool_s"`
		CoolLowS  *float64                `json:"cool_low_s"`
		CoolHighS *float64                `json:"cool_high_s"`
		ReheatS   *float64                `json:"reheat_s"`
	}{(*plain)(p), map[SectionKind]Section{LeadIn: p.LeadIn, Body: p.Body, LeadOut: p.LeadOut}, p.Duration.Seconds(),
		seconds(p.Heat.HeatUp), seconds(cool), seconds(low), seconds(high), seconds(p.Heat.Reheat)})
}

// Section returns the section of that kind.
func (p *Plan) Section(kind SectionKind) *Section {
	switch kind {
	case LeadIn:
		return &p.LeadIn
	case LeadOut:
		return &p.LeadOut
	default:
		return &p.Body
	}
}

// Blocked reports whether a finding keeps a lot from starting with this job.
func (p *Plan) Blocked() bool {
	for _, f := range p.Findings {
		if f.Severity == Error {
			return true
		}
	}
	return false
}
