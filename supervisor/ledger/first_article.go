package ledger

// FirstArticle reports whether a lot holds after the first part of a job that was not yet found good on the
// belt's surface. Lots without it do not.
type FirstArticle struct {
	LotID  int64
	Wanted bool
	Why    string // the reason for which the lot does without
	By     string
}

func (FirstArticle) kind() string { return "first_article" }

func (r FirstArticle) faults() []string {
	var f faultList
	if !r.Wanted {
		f.text("Why", r.Why)
	}
	return f
}

func (r FirstArticle) apply(t *txn) error {
	return t.exec("INSERT INTO first_article (seq, lot, wanted, why, by) VALUES (?, ?, ?, ?, ?)", t.seq, r.LotID, r.Wanted, r.Why, r.By)
}
