package supervisor

import (
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/bed"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/motion"
)

// Snapshot is an immutable picture of the run, published after each step. Screen, metrics and command
// line read it; none of them touches machine or port.
type Snapshot struct {
	At time.Time `json:"at"`
	// Clock is why the computer's clock cannot be right; empty if nothing suggests that.
	Clock   string    `json:"clock,omitempty"`
	Machine string    `json:"machine"`
	State   State     `json:"state"`
	Since   time.Time `json:"since"`
	Cause   Cause     `json:"cause"`
	Doing   string    `json:"doing,omitempty"`  // the present step of the work
	Advice  string    `json:"advice,omitempty"` // what the operator has to do now
	// Steps are the command lines of Advice, to be given one after the other.
	Steps []string `json:"advice_steps,omitempty"`
	// HeatFault is latched until clear is given with a text about the repair; "" for none.
	HeatFault string   `json:"heat_fault,omitempty"`
	Accepts   []string `json:"accepts"` // commands possible now

	Lot    *LotView   `json:"lot,omitempty"`
	Belt   BeltView   `json:"belt"`
	Heat   HeatView   `json:"heat"`
	Supply SupplyView `json:"supply"`
	// Care is what the owner wants done every so often, and when each is due.
	Care  []CareView `json:"care,omitempty"`
	Line  LineView   `json:"line"`
	Trial *TrialView `json:"trial,omitempty"`
	// Setup is what setting up has found; nil when nothing is unknown and nothing was tried.
	Setup *SetupView `json:"setup,omitempty"`
	Next  *NextVisit `json:"next_visit,omitempty"`
	// Recovery is what is certain after a fault and what is not; nil when there is nothing to recover
	// from.
	Recovery *RecoveryView `json:"recovery,omitempty"`
	// Later are the visits foreseen after Next, to the end of the lot.
	Later []NextVisit `json:"later_visits,omitempty"`
}

// LotView is the lot in progress.
type LotView struct {
	ID          int64     `json:"id"`
	Name        string    `json:"name"`
	Status      string    `json:"status"`
	Ordered     int       `json:"ordered"`
	Made        int       `json:"made"`
	Good        int       `json:"good"`
	Scrap       int       `json:"scrap"`
	Unverified  int       `json:"unverified"`
	Interrupted int       `json:"interrupted"`
	Begun       int       `json:"cycles_begun"`
	Wanted      int       `json:"cycles_wanted"` // still to begin, if all are good
	Jobs        []JobView `json:"jobs"`
	// Part is the ordinal of the part in progress, 0 for none. PartBegun is when it began, PartTakes
	// how long the last ones took.
	Part      int       `json:"part,omitempty"`
	PartBegun time.Time `json:"part_begun,omitzero"`
	// InProgress is 1 until that part is made; then it is moved off. Cycles begun are those made,
	// interrupted and in progress.
	InProgress int           `json:"in_progress,omitempty"`
	PartTakes  time.Duration `json:"part_takes_ns,omitempty"`
	DoneAt     time.Time     `json:"done_at,omitzero"` // estimate, holds not counted
	// DoneEarly and DoneLate bound it with 95 % certainty, from the cycles so far.
	DoneEarly time.Time `json:"done_early,omitzero"`
	DoneLate  time.Time `json:"done_late,omitzero"`
	// DoneUnseen: no cycle has ended yet, and the time for heating and cooling is a guess.
	DoneUnseen bool `json:"done_unseen,omitempty"`
	// Ready is when the ordered parts will have been made, including stops and scrap; nil if that
	// cannot be computed.
	Ready *ReadyView `json:"ready,omitempty"`
	// Yield is how many cycles still to begin so that the ordered parts come out good with 95 %
	// certainty; nil if that cannot be computed.
	Yield *book.Yield `json:"yield,omitempty"`
	// SizeSignal is the signal of the newest measured lengths.
	SizeSignal string `json:"size_signal,omitempty"`
}

// Count is the lot's balance.
func (v *LotView) Count() book.Count {
	return book.Count{Ordered: v.Ordered, Made: v.Made, Good: v.Good, Scrap: v.Scrap, Interrupted: v.Interrupted}
}

// Count is the job's balance.
func (v *JobView) Count() book.Count {
	return book.Count{Ordered: v.Ordered, Made: v.Made, Good: v.Good, Scrap: v.Scrap, Interrupted: v.Interrupted}
}

// JobView is one job of the lot.
type JobView struct {
	Name    string `json:"name"`
	Ordered int    `json:"ordered"`
	Made    int    `json:"made"`
	Good    int    `json:"good"`
	Scrap   int    `json:"scrap"`
	// Interrupted counts the parts that are not decided on.
	Interrupted int `json:"interrupted,omitempty"`
	// Size is the chart of the lengths measured, nil before the first.
	Size *book.Size `json:"size,omitempty"`
	// FirstArticle is what is known of the job's first article; nil: the lot was opened without.
	FirstArticle *ArticleView `json:"first_article,omitempty"`
}

// BeltView is the belt, in commanded millimetres.
type BeltView struct {
	TravelMM  float64 `json:"travel_mm"`
	AdvanceMM float64 `json:"advance_mm"`
	// CalibratedMM is the travel by the last scale set; nil if none was.
	CalibratedMM   *float64 `json:"travel_calibrated_mm,omitempty"`
	SinceRealignMM float64  `json:"since_realignment_mm"`
	SinceCheckMM   float64  `json:"since_check_mm"`
	UncertainMM    float64  `json:"uncertain_mm"`
	Clear          bool     `json:"clear"` // nothing lies under the head, and the position is certain
	OffsetMM       *float64 `json:"offset_mm,omitempty"`
	WorstOffsetMM  float64  `json:"worst_offset_mm"` // at the assumed rate of drift
	OffsetLimitMM  float64  `json:"offset_limit_mm"`
	// Drift is the forecast of the offset from the checks since the realignment, and how far the belt
	// may run by it.
	Drift belt.Forecast `json:"drift"`
	// Surface is the belt's surface, nil if it was never renewed.
	Surface    *SurfaceView `json:"surface,omitempty"`
	FilamentMM float64      `json:"filament_mm"`       // since the process began
	LoopMM     float64      `json:"loop_mm,omitempty"` // length of the loop, 0 when unknown
	SeamMM     float64      `json:"seam_mm,omitempty"` // length of the seam
	// SeamAheadMM is where the middle of the seam is, ahead of the nozzle towards the drop edge, give
	// or take SeamDoubtMM; nil if it was not seen.
	SeamAheadMM *float64 `json:"seam_ahead_mm,omitempty"`
	SeamDoubtMM float64  `json:"seam_doubt_mm,omitempty"`
	ToDropMM    float64  `json:"to_drop_mm,omitempty"` // from the nozzle to the drop edge
	// Parts are those that lie on the belt, first made first; the one in progress is last.
	Parts []bed.Place `json:"parts,omitempty"`
	// NextPart is where the next part will lie, or a little behind; nil where that is not known.
	NextPart *bed.Place `json:"next_part,omitempty"`
	// Readings are the offsets since the realignment, and Outlook is the basis for judging them: the
	// input of a drift chart. Both are read-only.
	Readings []belt.Reading `json:"-"`
	Outlook  belt.Outlook   `json:"-"`
}

// SupplyView is what comes from outside the machine. Fields are nil or 0 if never entered.
type SupplyView struct {
	SpoolLeftG *float64 `json:"spool_left_g,omitempty"`
	PartG      float64  `json:"part_g,omitempty"` // filament of the next part
	Binned     *int     `json:"bin_parts,omitempty"`
	BinHolds   int      `json:"bin_holds,omitempty"`
	// DiskFreeBytes is the free space on the ledger's file system; DiskLow: too little for another
	// part.
	DiskFreeBytes *int64 `json:"disk_free_bytes,omitempty"`
	DiskLow       bool   `json:"disk_low,omitempty"`
}

// HeatView is the newest temperature reading, degrees Celsius.
type HeatView struct {
	NozzleC       float64   `json:"nozzle_c"`
	NozzleTargetC float64   `json:"nozzle_target_c"`
	BedC          float64   `json:"bed_c"`
	BedTargetC    float64   `json:"bed_target_c"`
	HasNozzle     bool      `json:"has_nozzle"`
	HasBed        bool      `json:"has_bed"`
	Read          time.Time `json:"read,omitzero"`
	// Unsure: the heaters may be on, and there is no connection to switch them off.
	Unsure bool `json:"unsure"`
	// Proof is, after a fault, whether falling readings have shown that the heaters are off; empty if
	// there was none. Proved is its outcome.
	Proof  string `json:"proof,omitempty"`
	Proved bool   `json:"proved,omitempty"`
	// ProofFailed: after a fault, readings have not shown in time that the heaters are off, or cannot
	// any more. The operator was called to switch the machine off at the mains.
	ProofFailed bool `json:"proof_failed,omitempty"`
	// Learned is how fast the heaters warm and cool, as far as known.
	Learned job.Heaters `json:"learned"`
}

// LineView is the connection to the board.
type LineView struct {
	Port      string `json:"port"`
	Connected bool   `json:"connected"`
	Problem   string `json:"problem,omitempty"`
	// Command is a command line that would help with the problem, for a terminal.
	Command  string `json:"command,omitempty"`
	Firmware string `json:"firmware,omitempty"`
	// Limits are the limits of speed and acceleration that the board reported, nil for none; a zero
	// field was not reported.
	Limits *motion.Limits `json:"limits,omitempty"`
	Stats  serialio.Stats `json:"stats"`
	// SavedBytes is how many bytes shorter the lines of jobs were sent than they are in their files,
	// since the process began.
	SavedBytes int64 `json:"saved_bytes"`
}

// Snapshot returns a picture of the machine at the time now.
func (m *Machine) Snapshot(now time.Time) *Snapshot {
	m.now = now
	do := m.advice()
	s := &Snapshot{At: now, Clock: m.clockDoubt(), Machine: m.set.Machine, State: m.state, Since: m.toPresentClock(m.since), Cause: m.cause,
		Doing: m.work.doing, Advice: do.String(), Steps: do.steps, Accepts: m.acceptedCommands(), HeatFault: m.heatFault}
	b := m.belt.totals()
	s.Belt = BeltView{TravelMM: b.TravelMM, AdvanceMM: b.AdvanceMM, SinceRealignMM: b.SinceRealignMM,
		SinceCheckMM: b.SinceCheckMM, UncertainMM: b.UncertainMM, Clear: b.Known, OffsetLimitMM: m.set.OffsetLimitMM,
		WorstOffsetMM: m.bed.Worst().AtMM(b.TravelMM), FilamentMM: m.belt.latest.FilamentMM, Drift: m.forecast(),
		LoopMM: m.set.LoopMM, SeamMM: m.set.SeamMM, ToDropMM: m.set.ToDropMM, Parts: m.partsOnBelt(), NextPart: m.nextPlace(),
		Readings: m.bed.Readings, Outlook: m.bed.Outlook(m.advancePerTravel())}
	if o, _ := m.bed.Newest(); o != nil {
		mm := o.OffsetMM
		s.Belt.OffsetMM = &mm
	}
	s.Belt.Surface = m.surfaceView()
	if mm, ok := m.bed.CalibratedMM(b.TravelMM); ok {
		s.Belt.CalibratedMM = &mm
	}
	if ahead, doubt, ok := m.bed.SeamAheadMM(m.belt.position()); ok {
		s.Belt.SeamAheadMM, s.Belt.SeamDoubtMM = &ahead, doubt
	}
	h := m.temps
	s.Heat = HeatView{NozzleC: h.nozzleC, NozzleTargetC: h.nozzleTargetC, BedC: h.bedC, BedTargetC: h.bedTargetC,
		HasNozzle: h.nozzleFresh(), HasBed: h.bedFresh(), Read: m.toPresentClock(h.read),
		Unsure: m.guard.MayBeOn() && m.link.phase != linkUp, Learned: m.heaters(), Proof: m.guard.Text(), Proved: m.guard.ShownOff(),
		ProofFailed: m.guard.Failed() && (m.state == Aborting || m.state == Aborted)}
	s.Line = LineView{Port: m.set.Port.Path, Connected: m.link.phase == linkUp, Problem: m.link.problem, Command: m.link.command,
		Firmware: m.link.board.Firmware, Limits: m.link.board.KnownLimits(), SavedBytes: m.belt.latest.SavedBytes}
	s.Supply, s.Care = m.supplyView(), m.predict().care
	s.Lot, s.Trial, s.Recovery = m.lotView(), m.trialView(), m.recoveryView()
	s.Setup = m.setupView()
	if list := m.predict().visits; list != nil && m.lot != nil {
		s.Next, s.Later = &list[0], list[1:]
		end := list[len(list)-1]
		s.Lot.DoneEarly, s.Lot.DoneAt, s.Lot.DoneLate, s.Lot.DoneUnseen = end.Early, end.At, end.Late, end.Unseen
		s.Lot.Ready = m.prediction.ready
	}
	return s
}

func (m *Machine) lotView() *LotView {
	l := m.lot
	if l == nil {
		return nil
	}
	t := l.Total()
	v := &LotView{ID: l.ID, Name: l.Name, Status: l.Status, Ordered: t.Ordered, Made: t.Made, Good: t.Good, Scrap: t.Scrap,
		Unverified: t.NotLookedAt(), Interrupted: t.Interrupted, Begun: l.Begun - l.Void, Wanted: l.Wanted(), PartTakes: m.predict().takes}
	for i, j := range l.Counts {
		v.Jobs = append(v.Jobs, JobView{Name: l.Jobs[i].Name, Ordered: j.Ordered, Made: j.Made, Good: j.Good, Scrap: j.Scrap, Interrupted: j.Interrupted, Size: l.Size(i), FirstArticle: m.articleView(i)})
	}
	if c := m.cycle; c != nil && !c.fromLedger {
		v.Part, v.PartBegun = c.ordinal, m.toPresentClock(c.begun)
		if !c.made {
			v.Wanted = max(0, v.Wanted-1) // it has begun
		}
	}
	if m.cycle != nil && !m.cycle.made {
		v.InProgress = 1
	}
	v.Yield, _ = l.Yield()
	v.SizeSignal = m.book.SizeSignal()
	return v
}
