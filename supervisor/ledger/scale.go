package ledger

// ScaleSet records that the belt axis of the board on a port was set to other steps/mm, which the
// board has confirmed. Storing it in the board is a second record with Stored. The newest of a port
// counts. Stamp is set by reading and ignored by writing.
type ScaleSet struct {
	Port          string
	Axis          string
	OldStepsPerMM float64
	NewStepsPerMM float64
	TravelMM      float64 // commanded belt travel when it was set
	Stored        bool    // the board was commanded to keep it over a restart
	By            string

	Stamp Stamp
}

func (ScaleSet) kind() string { return "scale_set" }

func (r ScaleSet) faults() []string {
	var f faultList
	f.text("Port", r.Port)
	f.text("Axis", r.Axis)
	for name, v := range map[string]float64{"OldStepsPerMM": r.OldStepsPerMM, "NewStepsPerMM": r.NewStepsPerMM} {
		f.finite(name, v)
		f.add(v <= 0, "%s is %v: it must be above 0", name, v)
	}
	f.notNegative("TravelMM", r.TravelMM)
	return f
}

func (r ScaleSet) apply(t *txn) error {
	return t.exec(`INSERT INTO scale_set (seq, port, axis, old_steps_per_mm, new_steps_per_mm, travel_mm, stored, by)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?)`, t.seq, r.Port, r.Axis, r.OldStepsPerMM, r.NewStepsPerMM, r.TravelMM, r.Stored, r.By)
}
