package supervisor

import (
	"fmt"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/heat"
)

// proof follows the heaters after a fault, until their readings fall. That the board took
// the words to switch them off does not show that they are off.
type proof struct {
	fall
	since time.Time
	limit deadline
	text  string // how it ended, or stands
	shown bool
}

// beginProof begins one. What has been read so far counts as the first reading.
func (m *Machine) beginProof() {
	m.guard.proof = proof{fall: newFall(), since: m.now, text: "not yet shown to be off by falling readings"}
	m.guard.proof.hasNozzle, m.guard.proof.hasBed = m.heat.hasNozzle, m.heat.hasBed
	m.guard.proof.limit.set(m.now.Add(m.set.ProofWithin))
}

// proveCold takes a reading into the proof that is under way.
func (m *Machine) proveCold(t serialio.Temps, out *Output) {
	p := &m.guard.proof
	if !p.limit.armed() {
		return
	}
	p.observe(m.now.Sub(p.since), t)
	if p.fallen() {
		p.limit.clear()
		p.shown = true
		p.text = "shown to be off: " + p.words(m.now.Sub(p.since))
		m.note(out, "heat", "the heaters are "+p.text)
		if m.state == Aborted {
			m.alert(out, CauseHeatOff, "the heaters are "+p.text)
		}
	}
}

// proofFailed is a proof that did not come in time.
func (m *Machine) proofFailed(out *Output) {
	p := &m.guard.proof
	p.limit.clear()
	p.text = "NOT shown to be off: " + p.words(m.now.Sub(p.since)) + "; switch the machine off at the mains"
	m.note(out, "fault", "the heaters are "+p.text)
	m.alert(out, CauseHeat, "the heaters are "+p.text)
}

// fall follows the readings of both heaters after these were switched off. A heater of
// which the board tells nothing needs no showing, but one must be there.
type fall struct {
	nozzle, bed       *heat.Proof
	hasNozzle, hasBed bool
}

func newFall() fall { return fall{nozzle: heat.NewProof("nozzle"), bed: heat.NewProof("bed")} }

// observe takes in a report that came so long after the fall began.
func (f *fall) observe(at time.Duration, t serialio.Temps) {
	if t.HasNozzle {
		f.hasNozzle = true
		f.nozzle.Observe(at, t.NozzleC)
	}
	if t.HasBed {
		f.hasBed = true
		f.bed.Observe(at, t.BedC)
	}
}

// fallen reports whether every heater is shown to be off.
func (f *fall) fallen() bool {
	return (f.hasNozzle || f.hasBed) && (!f.hasNozzle || f.nozzle.Shown()) && (!f.hasBed || f.bed.Shown())
}

// words says what was seen within d.
func (f *fall) words(d time.Duration) string {
	switch {
	case f.hasNozzle && f.hasBed:
		return fmt.Sprintf("%s, %s", f.nozzle.Text(d), f.bed.Text(d))
	case f.hasBed:
		return f.bed.Text(d)
	}
	return f.nozzle.Text(d)
}
