package ledger

// txn is one commit on its way.
type txn struct{}
