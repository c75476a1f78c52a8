package heat

import "time"

// NozzleLimits and BedLimits are for heaters of small printers. No standard gives such figures:
// they are common practice, no source, and lie well outside what a healthy machine shows. ceilingC
// is the highest target ever sent; a reading may exceed it by overC.
func NozzleLimits(ceilingC, overC float64) Limits {
	l := Limits{Name: "nozzle",
		RiseC: 2, RiseWithin: 40 * time.Second,
		FallC: 20, FallFor: 45 * time.Second,
		OverC: overC, OverFor: 30 * time.Second,
		StillFor: 2 * time.Minute, HeldFor: 15 * time.Minute, NearC: 10}
	return l.under(ceilingC)
}

// BedLimits are those of a bed, which is slow. A bed without a heater has ceiling 0.
func BedLimits(ceilingC, overC float64) Limits {
	l := Limits{Name: "bed",
		RiseC: 2, RiseWithin: 4 * time.Minute,
		FallC: 10, FallFor: 2 * time.Minute,
		OverC: overC, OverFor: 2 * time.Minute,
		StillFor: 10 * time.Minute, HeldFor: 30 * time.Minute, NearC: 5}
	return l.under(ceilingC)
}

// under sets the ceiling, if the heater has one.
func (l Limits) under(ceilingC float64) Limits {
	if ceilingC > 0 {
		l.CeilingC = ceilingC + l.OverC
	}
	return l
}

// OverC is how far a controller may overshoot.
const OverC = 15
