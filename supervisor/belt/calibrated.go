package belt

// Rescale is a change of the belt axis's steps/mm: from it on the board runs at ToStepsPerMM.
type Rescale struct {
	AtTravelMM     float64 // commanded travel at the change
	FromStepsPerMM float64
	ToStepsPerMM   float64
}

// Calibrated converts commanded belt travel to the newest scale: a millimetre commanded at s
// steps/mm is s/newest of one. Changes are in order of travel. Without changes it is the commanded
// travel.
func Calibrated(travelMM float64, changes []Rescale) float64 {
	if len(changes) == 0 {
		return travelMM
	}
	newest := changes[len(changes)-1].ToStepsPerMM
	sum, from, steps := 0.0, 0.0, changes[0].FromStepsPerMM
	for _, c := range changes {
		at := min(max(c.AtTravelMM, from), travelMM)
		sum += (at - from) * steps / newest
		from, steps = at, c.ToStepsPerMM
	}
	return sum + (travelMM-from)*steps/newest
}
