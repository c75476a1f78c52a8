package disk

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestFree fills a small file system of its own, of which the size is known.
func TestFree(t *testing.T) {
	dir := t.TempDir()
	if _, err := Free(filepath.Join(dir, "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("of a folder that is not there: %v", err)
	}
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=1m"); err != nil {
		t.Skipf("mounting is not allowed here: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	if free, err := Free(dir); err != nil || free != 1<<20 {
		t.Errorf("%d bytes are free of a megabyte, %v", free, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "x"), make([]byte, 256<<10), 0o600); err != nil {
		t.Fatal(err)
	}
	if free, err := Free(dir); err != nil || free != 768<<10 {
		t.Errorf("after a quarter was written %d bytes are free, %v", free, err)
	}
}

func TestBytes(t *testing.T) {
	for _, c := range []struct {
		blocks     uint64
		size, want int64
	}{
		{0, 4096, 0},
		{3, 4096, 12288},
		{1 << 40, 4096, 1 << 52},          // beyond 32 bits
		{math.MaxInt64 / 2, 2, 1<<63 - 2}, // the last that fits
		{1 << 62, 2, math.MaxInt64},
		{math.MaxUint64, 1, math.MaxInt64},
		{math.MaxUint64, 4096, math.MaxInt64},
		{7, 0, 0},
	} {
		if got := bytes(c.blocks, c.size); got != c.want {
			t.Errorf("%d blocks of %d bytes: got %d, want %d", c.blocks, c.size, got, c.want)
		}
	}
}
