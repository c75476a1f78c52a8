// Package ledger keeps the truth about lots, cycles, counts, checks, holds and the belt in one SQLite file. It is the
// only importer of the database driver. A Commit that has returned nil survives the loss of power; a Commit that has
// not returned has happened whole or not at all.
package ledger
