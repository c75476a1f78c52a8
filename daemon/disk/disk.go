// Package disk measures how much room there is on disks.
package disk

import (
	"fmt"
	"math"

	"golang.org/x/sys/unix"
)

// Free returns the bytes that an ordinary user may still write to the file system that a
// file or folder is on, as statfs(2) has it; what is kept back for the superuser is not
// counted. The error says that nothing can be said, such as of a folder that is not there.
func Free(dir string) (int64, error) {
	var fs unix.Statfs_t
	if err := unix.Statfs(dir, &fs); err != nil {
		return 0, fmt.Errorf("cannot measure the room on the disk of %s: %w", dir, err)
	}
	return bytes(fs.Bavail, int64(fs.Bsize)), nil // Bsize has 32 bits on small boards
}

// bytes multiplies within what an int64 holds: some file systems that end at a network
// claim to be endless, and a negative figure would say that they are full.
func bytes(blocks uint64, size int64) int64 {
	if size <= 0 {
		return 0
	}
	if blocks > uint64(math.MaxInt64/size) {
		return math.MaxInt64
	}
	return int64(blocks) * size
}
