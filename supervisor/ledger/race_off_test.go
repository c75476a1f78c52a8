//go:build !race

package ledger

// underRace tells whether the race detector, which slows the database twentyfold, is on.
const underRace = false
