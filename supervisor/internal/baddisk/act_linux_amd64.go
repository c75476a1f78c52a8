package baddisk

import "golang.org/x/sys/unix"

// act is what a call does to a disk.
type act int

const (
	opens  act = 1 << iota // a file, for reading
	makes                  // opens for writing, or makes a name
	names                  // changes or removes one
	cuts                   // sets a length
	writes                 // bytes
	reads                  // bytes, or names of a directory
	syncs
)

// concerns says which acts a kind lets fail, and how.
func (k Kind) concerns() (acts act, errno unix.Errno) {
	switch k {
	case NoSpace:
		return makes | writes, unix.ENOSPC
	case ReadOnly:
		return makes | names | cuts | writes, unix.EROFS
	case Denied:
		return opens | makes | names, unix.EACCES
	case WriteError:
		return writes, unix.EIO
	case ReadError:
		return reads, unix.EIO
	case SyncError, SyncLoss:
		return syncs, unix.EIO
	}
	return names | cuts, unix.EIO
}
