package supervisor

import (
	"time"

	"beltwarden/supervisor/bed"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
)

// Machine is the state machine of the run. It is pure: no I/O, no clock, no goroutine, no logging. One
// goroutine owns it, passes it each event through Step, and carries out the effects that Step returns.
type Machine struct {
	set Settings
	now time.Time
	out Output // of the step in progress

	state State
	since time.Time
	cause Cause // why it is in this state

	timers timers

	link  link
	temps temperatures
	work  work

	learned learned
	prior   pace.Prior // what cycles have shown of machine and room
	guard   *heat.Guard
	missing [2]missingReading // of nozzle and bed
	clock   clockWatch

	// book and bed change by record alone: they hold what must survive the process.
	book *book.Book
	bed  *bed.Bed

	lot          *lot   // the newest; the book has its count
	cycle        *cycle // begun and not yet discharged, interrupted or given up
	belt         beltCount
	knownBoard   *ledger.BoardSeen // the board that this port had at its last run; nil: none
	boardDiffers string            // how the present board differs from it; "" when it does not
	waits        []time.Duration   // for people, oldest first
	weighedMM    float64           // running total of filament when the spool was last weighed

	headUp             bool // the head is lifted off the belt and parked
	laying             bool // plastic may have been laid since the last part was moved off
	shutdown           bool
	startAfterReset    bool // Start once Resetting is done
	continueAfterClear bool // Reset once Clearing is done, and then start
	stopOptions        stopOptions
	by                 string // who made the request, while it is carried out
	override           string // and the reason for continuing against advice
	alerts             int    // alerts queued by this process
	visitAlert         visitAlert
	prediction         prediction
	unfinished         bool   // work was left unfinished: make safe first
	processID          string // identity of this process, for ids of alerts

	disk             diskSpace
	rescaling        rescaling
	setup            setup
	trials           trials
	trialFeed        float64 // mm/min, of the trial that begins
	resumption       resumption
	otherHeaters     heat.Others // heaters besides nozzle and bed
	heatFault        string      // the heat fault in force until somebody states what was repaired; "": none
	supplyOverrideTo int         // a part with this ordinal may begin though supply is short
}

// temperatures is what is known of the present temperatures.
type temperatures struct {
	nozzleC, bedC             float64
	earlierNozzleC            float64 // by the reading before the newest
	nozzleTargetC, bedTargetC float64
	hasNozzle, hasBed         bool
	read                      time.Time // when the newest reading came
	nozzleRead, bedRead       time.Time // and of each heater
	queried                   time.Time // when one was last requested
	querying                  bool      // a reading has been requested and not yet received
}

// newMachine returns a machine whose ledger has no records.
func newMachine(set Settings) *Machine {
	m := &Machine{set: set}
	m.guard = heat.NewGuard(m.set.NozzleWatch, m.set.BedWatch)
	m.book = book.New(book.Settings{SpoolTareG: set.SpoolTareG, ByCheck: byCheck})
	m.bed = bed.New(bed.Settings{LoopMM: set.LoopMM, SeamMM: set.SeamMM, ToDropMM: set.ToDropMM,
		OffsetLimitMM: set.OffsetLimitMM, WorstMMPerM: set.WorstDriftMMPerM, Certainty: set.HoldCertainty})
	return m
}

// Deadline returns when the machine next needs a Tick, if at all.
func (m *Machine) Deadline() (time.Time, bool) { return m.timers.next() }

// State returns the present state.
func (m *Machine) State() State { return m.state }

// Step handles one event and returns what must be recorded and done. The records must be durable
// before the effects are carried out; if they cannot be made durable, no intent among the effects is
// carried out, and LedgerFailed follows.
func (m *Machine) Step(now time.Time, ev Event) Output {
	m.now = now
	m.out = Output{}
	switch e := ev.(type) {
	case Progressed:
		m.commandTargets(e.State)
		m.belt.update(e.Progress)
		m.lineAccepted()
		return m.out // it comes ahead of an event, and requires nothing by itself
	case LinkSynced:
		m.linkSynced(e)
	case LinkFailed:
		m.linkFailed(e.Err)
	case LinkLost:
		m.linkLost(e.Err)
	case ProgramDone:
		m.programDone(e.ID)
	case ProgramCancelled:
		m.programCancelled(e.ID)
	case ProgramFailed:
		m.programFailed(e)
	case Reported:
		m.handleReport(e.Reply)
	case Tick:
		m.timers.run(now, m.fire)
	case LedgerFailed:
		m.resumption.recordsRefused = true
		if e.Dropped != 0 && e.Dropped == m.work.running {
			m.work.running = 0
		}
		m.fault(Cause{CauseLedger, "records cannot be kept: " + e.Err.Error()})
	case FreeSpace:
		m.handleFreeSpace(e.FreeBytes)
	case Shutdown:
		m.shutDown()
	case Request:
		m.request(e)
	}
	m.watchClock()
	m.announceVisit()
	m.checkAutoResume()
	m.watchPendingStart()
	m.recordLearned()
	if len(m.out.Records) > 0 {
		m.prediction = prediction{}
	}
	return m.out
}

// note records an event in the ledger.
func (m *Machine) note(kind, text string) {
	m.record(ledger.EventNoted{Kind: kind, Text: text})
}

// record adds records to the transaction of this step, and folds them.
func (m *Machine) record(records ...ledger.Record) {
	for _, r := range records {
		m.out.Records = append(m.out.Records, r)
		m.fold(r, m.now)
	}
}

// fold applies a record made at a given time, by this process or an earlier one.
func (m *Machine) fold(r ledger.Record, at time.Time) {
	m.book.Fold(r, at)
	m.bed.Fold(r, at, m.belt.position(), m.book)
}

// do adds effects, carried out in order after the records are durable.
func (m *Machine) do(e ...Effect) { m.out.Effects = append(m.out.Effects, e...) }

// position is the modal state and position after everything handed out so far.
func (m *Machine) position() gcode.State { return m.belt.latest.State }
