package job

import (
	"errors"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"beltwarden/supervisor/internal/baddisk"
)

// A disk that fails to read in the middle of a section ends it with the place and the disk's own
// word, after whole lines alone, and no later call goes on behind it.
func TestADiskFailsToRead(t *testing.T) {
	path, _ := longJob(t)
	p := mustInspect(t, path, upright)
	want := section(t, p, Body)
	dir, err := filepath.EvalSymlinks(filepath.Dir(path))
	check(t, err)
	for n := 1; ; n++ {
		var got []string
		var first, again error
		r, err := baddisk.Under(baddisk.Fault{Kind: baddisk.ReadError, In: dir, At: n}, func() {
			r, err := p.Open(Body)
			if first = err; err != nil {
				return
			}
			defer r.Close()
			for first == nil {
				var line []byte
				if line, first = r.Next(nil); first == nil {
					got = append(got, string(line))
				}
			}
			_, again = r.Next(nil)
		})
		if err != nil {
			t.Skipf("no disk can be made to fail here: %v", err)
		}
		if r.Struck == 0 {
			if !slices.Equal(got, want) || first != io.EOF || n < 3 {
				t.Errorf("on a sound disk %d lines of %d and %v, after %d reads that failed", len(got), len(want), first, n-1)
			}
			return
		}
		if !errors.Is(first, unix.EIO) || errors.Is(first, ErrChanged) || !strings.HasPrefix(first.Error(), "cannot read job at byte ") || again != first {
			t.Errorf("read %d fails: %v, then %v", n, first, again)
		}
		if len(got) >= len(want) || !slices.Equal(got, want[:len(got)]) {
			t.Errorf("read %d fails: %d lines were given out, and not the first of the section", n, len(got))
		}
	}
}
