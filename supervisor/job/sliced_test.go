package job

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"beltwarden/testdata/jobs/sliced"
)

// asks are the findings that ask where the part begins or how its E words are meant.
var asks = []string{"purge-repeated", "purge-perhaps", "extruder-mode"}

// found tells of one file: the part found exactly, a question, or a wrong guess.
func found(path string, f *sliced.File) (result, why string) {
	p, err := Inspect(context.Background(), path, upright, nil)
	if err != nil {
		var refused *Refusal
		if errors.As(err, &refused) {
			return "refused", fmt.Sprintf("%d %s %s", refused.Problems[0].Line, refused.Problems[0].Code, refused.Problems[0].Text)
		}
		return "wrong", err.Error()
	}
	got := sliced.Truth{First: p.Body.FirstLine, Last: p.Body.LastLine, BeltMM: p.BeltTravelMM, FilamentMM: p.FilamentMM}
	t := f.Truth
	var asked []string
	for _, f := range p.Findings {
		if f.Severity != Info && slices.Contains(asks, f.Code) {
			asked = append(asked, fmt.Sprintf("%s %s: %s", f.Severity, f.Code, f.Text))
		}
	}
	if got.First == t.First && got.Last == t.Last && math.Abs(got.BeltMM-t.BeltMM) < 0.01 && math.Abs(got.FilamentMM-t.FilamentMM) < 0.01 {
		switch {
		case p.Blocked():
			return "refused", fmt.Sprintf("%+v", p.Findings)
		case len(asked) > 0:
			return "exact, asked", strings.Join(asked, "; ")
		}
		return "exact", ""
	}
	why = fmt.Sprintf("got %+v, want %+v", got, t)
	if len(asked) > 0 {
		return "asked", why + " " + strings.Join(asked, "; ")
	}
	return "wrong", why
}

// TestSlicedSeeds draws files as slicers write them and compares what an inspection finds with
// what is known of them. BELTWARDEN_SLICED=n draws n, BELTWARDEN_SLICED_SEED begins elsewhere.
func TestSlicedSeeds(t *testing.T) {
	t.Parallel()
	number := func(name string, other uint64) uint64 {
		if text := os.Getenv(name); text != "" {
			n, err := strconv.ParseUint(text, 10, 64)
			if err != nil {
				t.Fatalf("%s=%q is not a whole number", name, text)
			}
			return n
		}
		return other
	}
	count, first := number("BELTWARDEN_SLICED", 500), number("BELTWARDEN_SLICED_SEED", 1)
	dir := t.TempDir()
	var lock sync.Mutex
	all, by := map[string]int{}, map[string]map[string]int{}
	said := map[string]int{}
	var work sync.WaitGroup
	seeds := make(chan uint64)
	for n := range runtime.GOMAXPROCS(0) {
		work.Go(func() {
			path := filepath.Join(dir, strconv.Itoa(n)+".gcode")
			for seed := range seeds {
				f := sliced.Draw(seed)
				if err := os.WriteFile(path, f.Text, 0o600); err != nil {
					t.Error(err)
					continue
				}
				result, why := found(path, &f)
				lock.Lock()
				all[result]++
				for _, piece := range []string{"start: " + f.Start, "comments: " + f.Marks, "around: " + f.Around, "part: " + f.Part, "end: " + f.End} {
					if by[piece] == nil {
						by[piece] = map[string]int{}
					}
					by[piece][result]++
				}
				said[result]++
				if result == "wrong" {
					t.Errorf("seed %d: %s: %s", seed, &f, why)
				} else if result != "exact" && said[result] <= 10 {
					t.Logf("seed %d: %s: %s: %s", seed, result, &f, why)
				}
				lock.Unlock()
			}
		})
	}
	for n := range count {
		seeds <- first + n
	}
	close(seeds)
	work.Wait()
	results := []string{"exact", "exact, asked", "asked", "refused", "wrong"}
	row := func(name string, m map[string]int) {
		text := fmt.Sprintf("%-36s", name)
		for _, r := range results {
			text += fmt.Sprintf(" %13d", m[r])
		}
		t.Log(text)
	}
	t.Logf("%-36s %13s %13s %13s %13s %13s", "", "exact", "exact, asked", "asked", "refused", "wrong")
	names := []string{}
	for name := range by {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		row(name, by[name])
	}
	row("all", all)
	exact := all["exact"] + all["exact, asked"]
	t.Logf("%.3f %% exact", 100*float64(exact)/float64(count))
	if uint64(exact) < count-(count+999)/1000 {
		t.Errorf("the part is found exactly in %d of %d files, less than 99.9 %%", exact, count)
	}
}
