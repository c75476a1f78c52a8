package motion

// Or fills what is zero in l from what is known otherwise. Corners go by one rule: if l
// has either, the other's is not taken.
func (l Limits) Or(other Limits) Limits {
	take := func(v *float64, o float64) {
		if *v == 0 {
			*v = o
		}
	}
	for a := range Axes {
		take(&l.SpeedMMPerS[a], other.SpeedMMPerS[a])
		take(&l.AccelMMPerS2[a], other.AccelMMPerS2[a])
	}
	take(&l.PrintAccelMMPerS2, other.PrintAccelMMPerS2)
	take(&l.RetractAccelMMPerS2, other.RetractAccelMMPerS2)
	take(&l.TravelAccelMMPerS2, other.TravelAccelMMPerS2)
	if !l.corners() && l.JunctionDeviationMM == 0 {
		l.JunctionDeviationMM, l.CornerMMPerS = other.JunctionDeviationMM, other.CornerMMPerS
	}
	if l.LookAhead == 0 {
		l.LookAhead = other.LookAhead
	}
	return l
}
