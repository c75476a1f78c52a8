// Package baddisk lets file operations fail as a bad disk fails them, for tests: below SQLite and below the os package, at
// the boundary to the kernel. The program under test is what is shipped; nothing in it knows of this.
package baddisk

import (
	"errors"
	"fmt"
)

// ErrNoMeans: this kernel, or what this process may do, has no way to let calls fail. Tests skip.
var ErrNoMeans = errors.New("the kernel does not let this process answer its own calls")

// Kind is a way in which a disk fails.
type Kind int

// The kinds. Half of what a failing write was to write is written all the same, as a disk does that fails on the way.
const (
	// NoSpace: what writes, makes a name or lengthens a file gives ENOSPC.
	NoSpace Kind = iota
	// ReadOnly: what changes anything gives EROFS, through an open file too, as after an emergency remount.
	ReadOnly
	// Denied: what opens a file or changes a name gives EACCES.
	Denied
	// WriteError: what writes gives EIO.
	WriteError
	// ReadError: what reads gives EIO.
	ReadError
	// SyncError: fsync and fdatasync give EIO; what was written stays readable.
	SyncError
	// SyncLoss: the same, and the file goes back to what it was when it was last synced, as after a page that could not
	// be written was dropped from memory.
	SyncLoss
	// NameError: ftruncate, rename, link, unlink and mkdir give EIO.
	NameError
	kinds
)

// Kinds lists all of them.
func Kinds() []Kind {
	list := make([]Kind, kinds)
	for i := range list {
		list[i] = Kind(i)
	}
	return list
}

func (k Kind) String() string {
	names := [...]string{"no space", "read only", "denied", "write error", "read error", "sync error", "sync loss", "name error"}
	if k < 0 || k >= kinds {
		return fmt.Sprintf("kind %d", int(k))
	}
	return names[k]
}

// Fault says which operations fail.
type Fault struct {
	Kind Kind
	// In is the directory, absolute, whose files and names are concerned, with those below it.
	In string
	// At is the number of the operation that fails, among those that Kind concerns, from 1. With 0 none does.
	At int
	// Lasting lets all later ones fail too.
	Lasting bool
	// When holds the fault back while it returns false: operations until then are not counted. Nil: from the beginning.
	When func() bool
}

// Report says what was met.
type Report struct {
	// Met counts the operations that Kind concerns.
	Met int
	// Struck counts those that failed.
	Struck int
	// First names the first that did, such as "fdatasync ledger.db-wal".
	First string
}
