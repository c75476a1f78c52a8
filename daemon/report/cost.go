package report

import (
	"fmt"
	"time"

	"beltwarden/daemon/wording"
)

// Rates are what things cost, in one currency. A rate of 0 is unknown: the report leaves its cost
// out, and says so.
type Rates struct {
	Currency       string // as it is to be written
	FilamentPerKg  float64
	EnergyPerKWh   float64
	PowerW         float64 // mean electrical power while running, an estimate of the owner
	MachinePerHour float64
	LabourPerHour  float64
	VisitMinutes   float64 // time that a visit takes
}

// Filament is what was pushed out. What an interrupted part took is not recorded.
type Filament struct {
	// TotalMM is that of the parts made, net; lead-in, priming and purging count with the part
	// that follows them.
	TotalMM float64 `json:"total_mm"`
	// FilesMM is what the job files alone take for these parts.
	FilesMM float64 `json:"by_files_mm"`
	// AtMostMM is TotalMM and a whole part for each that was interrupted or is being made.
	AtMostMM  float64  `json:"at_most_mm"`
	TotalG    *float64 `json:"total_g,omitempty"` // nil when the mass of filament is not known
	AtMostG   *float64 `json:"at_most_g,omitempty"`
	PerGoodMM *float64 `json:"per_good_mm,omitempty"` // TotalMM shared among the good parts; nil without any
	PerGoodG  *float64 `json:"per_good_g,omitempty"`
}

// weigh fills in masses and shares.
func (f *Filament) weigh(gPerMM float64, good int) {
	share := func(v float64) *float64 {
		if good == 0 {
			return nil
		}
		v /= float64(good)
		return &v
	}
	f.PerGoodMM = share(f.TotalMM)
	if gPerMM <= 0 {
		return
	}
	total, most := f.TotalMM*gPerMM, f.AtMostMM*gPerMM
	f.TotalG, f.AtMostG, f.PerGoodG = &total, &most, share(total)
}

// Cost is what a lot cost by the rates of the configuration.
type Cost struct {
	Currency string     `json:"currency,omitempty"`
	Lines    []CostLine `json:"lines"`
	LeftOut  []string   `json:"left_out"` // what is not in it, and why
	Total    *float64   `json:"total,omitempty"`
	PerGood  *float64   `json:"per_good,omitempty"` // nil without a good part
}

// CostLine is one kind of cost: so much of something, at a rate.
type CostLine struct {
	Name     string  `json:"name"` // filament, energy, machine or labour
	Quantity float64 `json:"quantity"`
	Unit     string  `json:"unit"`
	Rate     float64 `json:"rate"` // currency per unit
	Amount   float64 `json:"amount"`
	Basis    string  `json:"basis"` // what the quantity rests on
}

// Names of kinds of cost.
const (
	costFilament = "filament"
	costEnergy   = "energy"
	costMachine  = "machine"
	costLabour   = "labour"
)

// costOf computes what a lot cost.
func costOf(r Rates, w *Workshop, good int) Cost {
	c := Cost{Currency: r.Currency, Lines: []CostLine{}, LeftOut: []string{}}
	add := func(name string, quantity float64, unit string, rate float64, basis string) {
		c.Lines = append(c.Lines, CostLine{name, quantity, unit, rate, quantity * rate, basis})
	}
	omit := func(name, why string) { c.LeftOut = append(c.LeftOut, name+": "+why) }

	switch g := w.Filament.TotalG; {
	case r.FilamentPerKg <= 0:
		omit(costFilament, "costs.filament_per_kg is not set")
	case g == nil:
		omit(costFilament, "the mass of the filament is not known here")
	default:
		add(costFilament, *g/1000, "kg", r.FilamentPerKg, "recorded with the parts made; what interrupted parts took is not recorded and not in it")
	}
	p := &w.Production
	running := (p.ActualProductionS + p.BetweenS) / 3600
	switch {
	case r.EnergyPerKWh <= 0:
		omit(costEnergy, "costs.energy_per_kwh is not set")
	case r.PowerW <= 0:
		omit(costEnergy, "costs.power_w is not set")
	default:
		add(costEnergy, running*r.PowerW/1000, "kWh", r.EnergyPerKWh,
			fmt.Sprintf("an estimate: %s h of making parts and between them at a mean of %s W; holds and faults are not in it", decimal(running, 2), decimal(r.PowerW, 0)))
	}
	if r.MachinePerHour > 0 {
		add(costMachine, p.PlannedBusyS/3600, "h", r.MachinePerHour, "planned busy time: making parts, between them, holds, suspensions and faults")
	} else {
		omit(costMachine, "costs.machine_per_hour is not set")
	}
	switch {
	case r.LabourPerHour <= 0:
		omit(costLabour, "costs.labour_per_hour is not set")
	case r.VisitMinutes <= 0:
		omit(costLabour, "costs.minutes_per_visit is not set")
	default:
		add(costLabour, float64(w.VisitTimes)*r.VisitMinutes/60, "h", r.LabourPerHour,
			fmt.Sprintf("%s of %s min each; how long a visit took is not recorded", wording.Count(w.VisitTimes, "visit"), decimal(r.VisitMinutes, 0)))
	}
	if len(c.Lines) == 0 {
		return c
	}
	total := 0.0
	for _, l := range c.Lines {
		total += l.Amount
	}
	c.Total = &total
	if good > 0 {
		each := total / float64(good)
		c.PerGood = &each
	}
	return c
}

// QuoteCost puts prices to what a lot would take: filament, the machine's time in it, visits.
func QuoteCost(r Rates, filamentG float64, busy time.Duration, visits, good int) Cost {
	w := &Workshop{VisitTimes: visits}
	if filamentG > 0 {
		w.Filament.TotalG = &filamentG
	}
	w.Production.ActualProductionS, w.Production.PlannedBusyS = busy.Seconds(), busy.Seconds()
	return costOf(r, w, good)
}
