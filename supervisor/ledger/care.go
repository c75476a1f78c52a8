package ledger

// CareDone records that something the owner wants done every so often was done; with Begun, that
// counting begins and nothing was done. The newest entry of a name counts. Stamp is set by reading
// and ignored by writing.
type CareDone struct {
	Name     string
	Begun    bool
	TravelMM float64 // belt travel at that time
	By       string

	Stamp Stamp
}

func (CareDone) kind() string { return "care_done" }

func (r CareDone) faults() []string {
	var f faultList
	f.text("Name", r.Name)
	f.notNegative("TravelMM", r.TravelMM)
	return f
}

func (r CareDone) apply(t *txn) error {
	return t.exec("INSERT INTO care (seq, name, begun, travel_mm, by) VALUES (?, ?, ?, ?, ?)", t.seq, r.Name, r.Begun, r.TravelMM, r.By)
}
