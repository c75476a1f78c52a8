package config

import (
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Costs are the rates by which a lot report computes what parts cost. A rate of 0 is unknown:
// the report leaves its cost out, and says so.
type Costs struct {
	Currency        string  // as reports write it; empty only without rates
	FilamentPerKg   float64 // currency/kg
	EnergyPerKWh    float64 // currency/kWh
	PowerW          float64 // mean electrical power while running, an estimate
	MachinePerHour  float64 // currency/h of planned busy time
	LabourPerHour   float64 // currency/h
	MinutesPerVisit time.Duration
}

// Report is what a lot's report says of the workshop.
type Report struct {
	Sender string // who makes the parts, as the customer is to read it; empty leaves it out
}

// senderRule accepts a line.
func senderRule(s string) (problem, remedy string) {
	if utf8.RuneCountInString(s) > 200 || strings.ContainsFunc(s, unicode.IsControl) {
		return "is no line of 200 characters at most", "write name and address in one line"
	}
	return "", ""
}

// Units of rates. No other unit converts into them.
var (
	perKg   = unit{"currency/kg", "price of mass", 1}
	perKWh  = unit{"currency/kWh", "price of energy", 1}
	perHour = unit{"currency/h", "price of time", 1}
	watt    = unit{"W", "power", 1}
)

// currencyRule accepts a short word or sign.
func currencyRule(s string) (problem, remedy string) {
	if utf8.RuneCountInString(s) > 8 || strings.ContainsFunc(s, func(c rune) bool { return !unicode.IsPrint(c) || unicode.IsSpace(c) || unicode.IsDigit(c) }) {
		return "is not a currency", "write its code or its sign, such as EUR"
	}
	return "", ""
}

// checkCosts checks that each rate has a currency, and a quantity to be multiplied by.
func (r *reader) checkCosts() {
	c := &r.settings.Costs
	rates := []struct {
		field string
		value float64
	}{{"costs.filament_per_kg", c.FilamentPerKg}, {"costs.energy_per_kwh", c.EnergyPerKWh}, {"costs.machine_per_hour", c.MachinePerHour}, {"costs.labour_per_hour", c.LabourPerHour}}
	for _, rate := range rates {
		if rate.value > 0 && c.Currency == "" {
			r.conflict("a rate of "+r.withSource(rate.field, plain(rate.value))+" has no currency", "write costs.currency, such as EUR", rate.field, "costs.currency")
			break
		}
	}
	if c.EnergyPerKWh > 0 && c.PowerW == 0 {
		r.conflict("energy has a price, and nothing says how much of it the machine takes", "write the mean power while running, or leave out both",
			"costs.energy_per_kwh", "costs.power_w")
	}
	if c.LabourPerHour > 0 && c.MinutesPerVisit == 0 {
		r.conflict("labour has a price, and nothing says how long a visit takes", "write the minutes that a visit takes, or leave out both",
			"costs.labour_per_hour", "costs.minutes_per_visit")
	}
}
