package supervisor

import (
	"context"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// counting is a ledger that counts commits.
type counting struct {
	Ledger
	n atomic.Int64
}

func (c *counting) Commit(ctx context.Context, r ...ledger.Record) error {
	c.n.Add(1)
	return c.Ledger.Commit(ctx, r...)
}

// TestLongLot makes a lot of many parts in virtual time, with a visit every hundred and all their
// alerts: memory and goroutines do not grow, the count is the machine's, and the ledger grows by a
// fixed amount per part. BELTWARDEN_PARTS=10000 makes it long.
func TestLongLot(t *testing.T) {
	withoutRace(t)
	parts := 300
	if text := os.Getenv("BELTWARDEN_PARTS"); text != "" {
		var err error
		if parts, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(t.TempDir(), "tiny.gcode")
	if err := os.WriteFile(path, []byte(tinyJob), 0o600); err != nil {
		t.Fatal(err)
	}
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts, set.ReleaseC, set.BinParts = 100, 0, 0
		rs := testRig()
		x := newRun(t, rs, set)
		kept := new(counting)
		x.cancel, x.ended = x.startOn(func(l Ledger) Ledger { kept.Ledger = l; return kept })
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(path)}, Good: []int{parts}, Start: true}})
		begun := time.Now()
		type load struct {
			heap       uint64
			goroutines int
			bytes      int64
		}
		measure := func() load {
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			l := load{heap: m.HeapAlloc, goroutines: runtime.NumGoroutine()}
			for _, end := range []string{"", "-wal"} {
				if info, err := os.Stat(x.path + end); err == nil {
					l.bytes += info.Size()
				}
			}
			return l
		}
		var early load
		visits := 0
		for {
			s := x.s.Snapshot()
			switch s.State {
			case Held:
				visits++
				mm := 0.001 * float64(visits%3)
				x.do(Request{Visit: &Visit{Good: s.Lot.Unverified, OffsetMM: &mm}})
				x.do(Request{Command: Unhold})
			case Suspended, Aborted, Aborting:
				t.Fatalf("%s: %s", s.State, s.Cause.Text)
			}
			if early.heap == 0 && s.Lot.Made >= parts/10 {
				early = measure()
			}
			if s.State == Complete {
				break
			}
			time.Sleep(time.Second)
		}
		late := measure()
		s := x.s.Snapshot()
		made := len(x.rig.Parts())
		if s.Lot.Made != parts || made != parts || visits != (parts-1)/100 {
			t.Errorf("%d made by the ledger, %d by the machine, of %d; %d visits", s.Lot.Made, made, parts, visits)
		}
		// The simulated machine remembers each part; the supervisor must not.
		own := int64(late.heap) - int64(early.heap)
		if late.goroutines > early.goroutines+2 {
			t.Errorf("%d goroutines after a tenth of the lot, %d at its end", early.goroutines, late.goroutines)
		}
		commits := float64(kept.n.Load()) / float64(parts)
		perPart := float64(late.bytes-early.bytes) / float64(parts-parts/10)
		t.Logf("parts: %d in %s of machine time; heap %.1f MB after a tenth, %.1f MB at the end (%.0f bytes a part, the simulated machine's memory of it included); goroutines %d and %d; the ledger grew by %.0f bytes a part, by %.1f commits, each of which is synced",
			parts, time.Since(begun).Round(time.Hour), float64(early.heap)/1e6, float64(late.heap)/1e6, float64(own)/float64(parts), early.goroutines, late.goroutines, perPart, commits)
		if problems, err := x.ledger.Check(context.Background()); err != nil || len(problems) > 0 {
			t.Errorf("%s %v", strings.Join(problems, "; "), err)
		}
	})
}
