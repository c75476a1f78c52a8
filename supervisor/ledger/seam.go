package ledger

// SeamSeen records where the operator saw the belt's seam: the net advance, on the ledger's scale,
// at which its start is under the nozzle. The newest one counts.
type SeamSeen struct {
	AdvanceMM float64
	By        string
}

func (SeamSeen) kind() string { return "seam_seen" }

func (r SeamSeen) faults() []string {
	var f faultList
	f.finite("AdvanceMM", r.AdvanceMM)
	return f
}

func (r SeamSeen) apply(t *txn) error {
	return t.exec("INSERT INTO seam (seq, advance_mm, by) VALUES (?, ?, ?)", t.seq, r.AdvanceMM, r.By)
}
