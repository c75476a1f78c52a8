//go:build race

package ledger

const underRace = true
