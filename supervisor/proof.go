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
	nozzle, bed       *heat.Proof
	hasNozzle, hasBed bool
	since             time.Time
	limit             deadline
	text              string // how it ended, or stands
	shown             bool
}

// beginProof begins one. What has been read so far counts as the first reading.
func (m *Machine) beginProof() {
	m.guard.proof = proof{nozzle: heat.NewProof("nozzle"), bed: heat.NewProof("bed"), hasNozzle: m.heat.hasNozzle, hasBed: m.heat.hasBed,
		since: m.now, text: "not yet shown to be off by falling readings"}
	m.guard.proof.limit.set(m.now.Add(m.set.ProofWithin))
}

// proveCold takes a reading into the proof that is under way.
func (m *Machine) proveCold(t serialio.Temps, out *Output) {
	p := &m.guard.proof
	if !p.limit.armed() {
		return
	}
	if t.HasNozzle {
		p.nozzle.Observe(m.now.Sub(p.since), t.NozzleC)
		p.hasNozzle = true
	}
	if t.HasBed {
		p.bed.Observe(m.now.Sub(p.since), t.BedC)
		p.hasBed = true
	}
	if (p.hasNozzle || p.hasBed) && (!p.hasNozzle || p.nozzle.Shown()) && (!p.hasBed || p.bed.Shown()) {
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

func (p *proof) words(d time.Duration) string {
	switch {
	case p.hasNozzle && p.hasBed:
		return fmt.Sprintf("%s, %s", p.nozzle.Text(d), p.bed.Text(d))
	case p.hasBed:
		return p.bed.Text(d)
	}
	return p.nozzle.Text(d)
}
