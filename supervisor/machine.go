package supervisor

import (
	"time"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/ledger"
)

// Machine is the state machine of the run. It is pure: no I/O, no clock, no
// goroutine, no logging. One goroutine owns it, hands it what happened through
// Step, and carries out what Step asks for.
type Machine struct {
	set Settings
	now time.Time

	state State
	since time.Time
	cause Cause // why it is in this state

	link link
	heat warm
	work work

	warmth warmth
	guard  heatWatch
	clock  clockWatch

	lot   *lot
	cycle *cycle // begun and not yet discharged, interrupted or given up
	belt  beltCount
	rules rules
	hold  *openHold
	ids   ledger.NextIDs

	headUp     bool // the head is lifted off the belt and parked
	laying     bool // plastic may have been laid since the last part was moved off
	shutdown   bool
	afterReset bool     // Start once Resetting is done
	goOn       bool     // Reset once Clearing is done, and then start
	lapse      deadline // of goOn and afterReset, while the board is not there
	stopNow    stopWish
	by         string // who asked, while a request is carried out
	override   string // and the reason for going on against advice
	undecided  []openPart
	alerts     int // alerts queued by this process
	ahead      ahead
	recover    bool   // work was left unfinished: make safe first
	start      string // identity of this process, for ids of alerts

	surface    *ledger.SurfaceRenewed // how the belt's surface was last made anew; nil: never
	supply     supply
	room       diskRoom
	rescaling  rescaling
	trials     trials
	trialFeed  float64 // mm/min, of the trial that begins
	alone      alone
	others     others // heaters beside nozzle and bed
	latched    string // the heat fault in force until somebody says what was mended; "": none
	supplyGoOn int    // a part with this ordinal may begin though something is short
}

// warm is what is known of temperatures now.
type warm struct {
	nozzleC, bedC             float64
	earlierNozzleC            float64 // by the reading before the newest
	nozzleTargetC, bedTargetC float64
	hasNozzle, hasBed         bool
	read                      time.Time // when the newest reading came
	nozzleRead, bedRead       time.Time // and of each heater
	asked                     time.Time // when one was last asked for
	poll                      deadline
	asking                    bool     // a reading has been asked for and not yet answered
	off                       deadline // in a hold: heaters off
}

// Deadline returns when the machine next wants a Tick, if at all.
func (m *Machine) Deadline() (time.Time, bool) {
	var next time.Time
	for _, d := range []deadline{m.link.retry, m.heat.poll, m.heat.off, m.work.limit,
		m.belt.save, m.work.giveUp, m.work.stuck, m.work.nudge, m.rescaling.limit,
		m.guard.nozzleLost.at, m.guard.bedLost.at, m.guard.proof, m.alone.at, m.lapse} {
		if d.armed() && (next.IsZero() || d.at.Before(next)) {
			next = d.at
		}
	}
	return next, !next.IsZero()
}

// State returns the present state.
func (m *Machine) State() State { return m.state }

// Step takes one event and returns what must be recorded and done. The records
// must be durable before the effects are carried out; if they cannot be made
// durable, no intent among the effects is, and LedgerFailed follows.
func (m *Machine) Step(now time.Time, ev Event) Output {
	m.now = now
	var out Output
	switch e := ev.(type) {
	case Progressed:
		m.targetsAsked(e.State)
		m.belt.progress(e.Progress)
		m.tookLine()
		return out // it comes ahead of an event, and asks for nothing by itself
	case LinkSynced:
		m.linkSynced(e, &out)
	case LinkFailed:
		m.linkFailed(e.Err, &out)
	case LinkLost:
		m.linkLost(e.Err, &out)
	case ProgramDone:
		m.programDone(e.ID, &out)
	case ProgramCancelled:
		m.programCancelled(e.ID, &out)
	case ProgramFailed:
		m.programFailed(e, &out)
	case Reported:
		m.reported(e.Reply, &out)
	case Tick:
		m.tick(&out)
	case LedgerFailed:
		m.alone.unkept = true
		if e.Dropped != 0 && e.Dropped == m.work.running {
			m.work.running = 0
		}
		m.fault(Cause{CauseLedger, "records cannot be kept: " + e.Err.Error()}, &out)
	case RoomLeft:
		m.roomLeft(e.FreeBytes, &out)
	case Shutdown:
		m.shutDown(&out)
	case Request:
		m.request(e, &out)
	}
	m.watchClock(&out)
	m.tellAhead(&out)
	m.lookAlone(&out)
	m.watchWish(&out)
	m.keepWarmth(&out)
	return out
}

// tick does everything whose time has come.
func (m *Machine) tick(out *Output) {
	if m.link.retry.due(m.now) {
		m.link.retry.clear()
		m.openLink(out)
	}
	if m.heat.poll.due(m.now) {
		m.poll(out)
	}
	m.readingsLost(out)
	if m.guard.proof.due(m.now) {
		m.proofFailed(out)
	}
	if m.alone.at.due(m.now) {
		m.goOnAlone(out)
	}
	if m.heat.off.due(m.now) {
		m.heat.off.clear()
		m.heatersOff(out)
		m.note(out, "heat", "heaters switched off; the belt keeps its position")
	}
	if m.belt.save.due(m.now) {
		m.saveBelt(out)
	}
	if m.work.nudge.due(m.now) {
		m.breakWait(out)
	}
	if m.work.giveUp.due(m.now) {
		m.work.giveUp.clear()
		m.abortUnconfirmed(out)
	}
	if m.work.stuck.due(m.now) {
		m.watchProgram(out)
	}
	if m.rescaling.limit.due(m.now) {
		m.rescaleBroken("the board has not answered within "+rescaleWithin.String(), out)
		m.cancel(out, func(*Output) {})
	}
	if m.work.limit.due(m.now) {
		m.work.limit.clear()
		m.waitedTooLong(out)
	}
}

// note keeps something worth knowing in the ledger.
func (m *Machine) note(out *Output, kind, text string) {
	out.record(ledger.EventNoted{Kind: kind, Text: text})
}

// record adds records to the transaction of this step.
func (o *Output) record(r ...ledger.Record) { o.Records = append(o.Records, r...) }

// do adds effects, carried out in order after the records are durable.
func (o *Output) do(e ...Effect) { o.Effects = append(o.Effects, e...) }

// position is the modal state and position after everything handed out so far.
func (m *Machine) position() gcode.State { return m.belt.latest.State }
