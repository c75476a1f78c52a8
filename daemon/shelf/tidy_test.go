package shelf

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func openShelf(t *testing.T, dir string) *Shelf {
	t.Helper()
	s, err := Open(dir, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

// names are those of what is stored.
func names(t *testing.T, s *Shelf) (list []string) {
	t.Helper()
	items, err := s.List()
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range items {
		list = append(list, i.Name)
	}
	slices.Sort(list)
	return list
}

func tidied(t *testing.T, s *Shelf, days int, limit int64, use map[string]Use) (list []string) {
	t.Helper()
	gone, err := s.Tidy(days, limit, use)
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range gone {
		list = append(list, i.Name)
	}
	return list
}

// TestJobsThatNobodyUses are taken away after so many days of work, over restarts; those
// that a lot needs, that were used or chosen meanwhile, and those that nobody uploaded stay.
func TestJobsThatNobodyUses(t *testing.T) {
	dir := t.TempDir()
	s := openShelf(t, dir)
	for _, name := range []string{"needed", "used", "chosen", "idle"} {
		if _, err := s.Put(t.Context(), name+".gcode", strings.NewReader("G1 X1 ; "+name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "mine.gcode"), []byte("G1 X2"), 0o600); err != nil {
		t.Fatal(err)
	}
	path := func(name string) string { return filepath.Join(s.Dir(), name+".gcode") }
	for day := 1; day <= 10; day++ {
		use := map[string]Use{path("needed"): {Lot: 1, Needed: true}, path("used"): {Lot: int64(2 + day/5)}}
		if day == 7 {
			if _, err := s.Path("chosen.gcode"); err != nil {
				t.Fatal(err)
			}
		}
		if day == 4 {
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = openShelf(t, dir)
		}
		gone := tidied(t, s, 8, 0, use)
		if want := map[int][]string{8: {"idle.gcode"}}[day]; !slices.Equal(gone, want) {
			t.Errorf("day %d: %v are gone, want %v", day, gone, want)
		}
	}
	if got := names(t, s); !slices.Equal(got, []string{"chosen.gcode", "mine.gcode", "needed.gcode", "used.gcode"}) {
		t.Errorf("left are %v", got)
	}
	if gone := tidied(t, s, 0, 0, nil); len(gone) > 0 {
		t.Errorf("without a bound %v are gone", gone)
	}
}

// TestJobsThatAreTooMuchTogether: those that were not used for longest go, until the rest
// is within the limit; what is needed stays even if it alone is beyond it.
func TestJobsThatAreTooMuchTogether(t *testing.T) {
	s := openShelf(t, t.TempDir())
	body := func(name string) *strings.Reader { return strings.NewReader(name + strings.Repeat("x", 999)) }
	for day, name := range []string{"a", "b", "c", "d"} {
		if _, err := s.Put(t.Context(), name+".gcode", body(name)); err != nil {
			t.Fatal(err)
		}
		if day < 3 {
			tidied(t, s, 0, 0, nil)
		}
	}
	use := map[string]Use{filepath.Join(s.Dir(), "a.gcode"): {Lot: 1, Needed: true}}
	if gone := tidied(t, s, 0, 2500, use); !slices.Equal(gone, []string{"b.gcode", "c.gcode"}) {
		t.Errorf("%v are gone", gone)
	}
	if gone := tidied(t, s, 0, 500, use); !slices.Equal(gone, []string{"d.gcode"}) {
		t.Errorf("then %v are gone", gone)
	}
	if got := names(t, s); !slices.Equal(got, []string{"a.gcode"}) {
		t.Errorf("left are %v", got)
	}
}
