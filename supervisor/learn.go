package supervisor

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// learned is what is known of the heaters from earlier readings.
type learned struct {
	nozzle, bed *heat.Learner
	origin      time.Time // from which readings are timed
	// What has been learned since it was last recorded. It is added to the next step that has
	// something to record, so that it costs no write of its own.
	nozzleNew, bedNew bool
	priorNew          bool // Machine.prior
}

// heatersOf decodes stored models of heaters; one that cannot be read is dropped.
func heatersOf(texts map[string]json.RawMessage) (h job.Heaters) {
	for name, m := range map[string]*heat.Model{ledger.HeaterNozzle: &h.Nozzle, ledger.HeaterBed: &h.Bed} {
		if text, ok := texts[name]; ok && json.Unmarshal(text, m) != nil {
			*m = heat.Model{}
		}
	}
	return h
}

// learnHeat learns from a report, and reports a heater whose power is unusual. Without a target it is
// unknown what the heater does.
func (m *Machine) learnHeat(t serialio.Temps) {
	w, at := &m.learned, m.now.Sub(m.learned.origin)
	if t.HasNozzle && t.HasNozzleTarget {
		r := heat.Reading{At: at, C: t.NozzleC, TargetC: t.NozzleTargetC, Duty: t.NozzleDuty, HasDuty: t.HasNozzleDuty}
		w.nozzleNew = w.nozzle.Observe(r) || w.nozzleNew
		m.reportUnusual("nozzle", w.nozzle.Unusual())
	}
	if t.HasBed && t.HasBedTarget {
		r := heat.Reading{At: at, C: t.BedC, TargetC: t.BedTargetC, Duty: t.BedDuty, HasDuty: t.HasBedDuty}
		w.bedNew = w.bed.Observe(r) || w.bedNew
		m.reportUnusual("bed", w.bed.Unusual())
	}
}

// reportUnusual reports that a heater now needs more or less power than it used to.
func (m *Machine) reportUnusual(name string, u *heat.Unusual) {
	if u == nil {
		return
	}
	more, why := "more", "check whether a fan blows at it, its insulation has come off, or the supply voltage sags"
	if u.Is < u.Was {
		more, why = "less", "check that its sensor sits tight, before it comes out"
	}
	m.handleFinding(heat.Finding{Kind: heat.Drifted, Text: fmt.Sprintf("%s needs %.0f %% %s drive to hold %.0f °C than it did over %s: %s",
		name, 100*math.Abs(u.Is/u.Was-1), more, u.TargetC, minutes(u.Learned), why)})
}

// recordLearned adds what was learned to a step that is recorded anyway.
func (m *Machine) recordLearned() {
	w := &m.learned
	if len(m.out.Records) == 0 || m.out.Refused != nil {
		return
	}
	keep := func(isNew *bool, of string, model any) {
		*isNew = false
		// A model is finite numbers alone, which always have a text.
		if text, err := json.Marshal(model); err == nil {
			m.record(ledger.HeatLearned{Port: m.set.Port.Path, Heater: of, Model: text})
		}
	}
	if w.nozzleNew {
		keep(&w.nozzleNew, ledger.HeaterNozzle, w.nozzle.Model())
	}
	if w.bedNew {
		keep(&w.bedNew, ledger.HeaterBed, w.bed.Model())
	}
	if w.priorNew {
		keep(&w.priorNew, ledger.LearnedCycles, m.prior)
	}
}

// heaters returns a copy of what has been learned by now.
func (m *Machine) heaters() job.Heaters {
	return job.Heaters{Nozzle: m.learned.nozzle.Model(), Bed: m.learned.bed.Model()}
}
