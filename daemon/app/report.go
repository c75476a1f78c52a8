package app

import (
	"math"

	"beltwarden/config"
	"beltwarden/daemon/report"
)

// ReportSettings says to a lot's report what the ledger does not hold.
func ReportSettings(c *config.Settings) report.Settings {
	k := &c.Costs
	radius := c.Job.FilamentDiameterMM / 2
	return report.Settings{Machine: c.Machine.Name, OffsetLimitMM: c.Belt.LimitMM, Sender: c.Report.Sender,
		FilamentGPerMM: math.Pi * radius * radius / 1000 * c.Job.DensityGPerCM3,
		Rates: report.Rates{Currency: k.Currency, FilamentPerKg: k.FilamentPerKg, EnergyPerKWh: k.EnergyPerKWh, PowerW: k.PowerW,
			MachinePerHour: k.MachinePerHour, LabourPerHour: k.LabourPerHour, VisitMinutes: k.MinutesPerVisit.Minutes()}}
}
