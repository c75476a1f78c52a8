package main

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// kinds and phases are what the kills are drawn from: every kind in every phase in turn.
var (
	kinds  = []string{beforeCommit, inCommit, afterCommit, beforeWrite, inWrite, afterWrite}
	phases = []phase{inPart, atPartsEnd, inDischarge, inLeadIn, inHold, inUnhold, atLotsEnd, inRecovery, atStart, whenIdle}
)

// strikePair is the i-th of all pairs of a kind and a phase, which repeat after 60.
func strikePair(i int) (string, phase) {
	return kinds[i%len(kinds)], phases[(i+i/30)%len(phases)]
}

// struckAt is what daemons have noted just before their death, over campaigns that
// run side by side.
type struckAt struct {
	mu                                                sync.Mutex
	kills, compared, made, counted, interrupted, byNo int
	points                                            map[string]map[string]int // by phase, then by kind
}

func (s *struckAt) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d kills, each followed by a clean check of the ledger; %d counts compared (the others were struck again before): "+
		"%d parts on the machine, %d counted, %d interrupted, %d proved by line number", s.kills, s.compared, s.made, s.counted, s.interrupted, s.byNo)
	for _, p := range slices.Sorted(maps.Keys(s.points)) {
		fmt.Fprintf(&b, "\n%-18s", p)
		for _, k := range kinds {
			fmt.Fprintf(&b, "  %s %d", k, s.points[p][k])
		}
	}
	return b.String()
}

// TestKillPoints has the daemon's process strike itself dead before, in and after the
// n-th commit of its run and the n-th write to the port, in every phase of a lot, in
// the start and in the recovery after the kill before. BELTWARDEN_KILLS is their number,
// BELTWARDEN_SEED repeats the choice of points.
func TestKillPoints(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	kills := numberFrom(t, "BELTWARDEN_KILLS", len(kinds))
	seed := uint64(numberFrom(t, "BELTWARDEN_SEED", int(time.Now().UnixNano()%1_000_000_000)))
	boards := []string{"lasting", "lasting", "lasting", "common", "lasting"} // side by side
	all := &struckAt{points: map[string]map[string]int{}}
	from := int(seed % 60)
	t.Run("boards", func(t *testing.T) {
		for i, board := range boards {
			share := kills / len(boards)
			if i < kills%len(boards) {
				share++
			}
			first := from
			from += share
			t.Run(fmt.Sprintf("%d-%s", i, board), func(t *testing.T) {
				t.Parallel()
				newCampaign(t, board, seed, uint64(100+i)).points(all, share, first)
			})
		}
	})
	t.Logf("seed %d: %v", seed, all)
}

// points kills so many daemons, one after the other, at the pairs from first on.
func (c *campaign) points(all *struckAt, kills, first int) {
	for i := range kills {
		kind, at := strikePair(first + i)
		n := 1 + c.rnd.IntN(3)
		switch write := strings.HasSuffix(kind, " write"); {
		case write && at == inPart:
			n = 1 + c.rnd.IntN(len(c.witness.body))
		case write:
			n = 1 + c.rnd.IntN(1+c.rnd.IntN(16))
		case at != atStart && at != inRecovery:
			n = max(1, n-1) // there are few in each lot
		}
		c.strikeOnce(all, kind, at, n)
	}
	c.account(all)
}

// account ends a campaign with a process that is not struck.
func (c *campaign) account(all *struckAt) {
	c.strike = ""
	c.begin()
	c.compare("at the end")
	c.daemon.stop(c)
	c.checkLedger()
	s, err := c.sums()
	if err != nil {
		c.Fatal(err)
	}
	all.mu.Lock()
	defer all.mu.Unlock()
	all.compared++
	all.made, all.counted = all.made+c.witness.tally().made, all.counted+s.confirmed
	all.interrupted, all.byNo = all.interrupted+s.interrupted, all.byNo+s.byNumber
}

// strikeOnce starts a daemon, compares what it makes of its forerunner's end, and plays
// the operator until it strikes itself dead. It returns the records or bytes at which
// it did, and the number of those counted.
func (c *campaign) strikeOnce(all *struckAt, kind string, at phase, n int) (what string, seen int) {
	c.Helper()
	note := filepath.Join(c.dir, "struck")
	c.strike = fmt.Sprintf("%s|%s|%d|%s", kind, at, n, note)
	when := fmt.Sprintf("before the kill %s %d %s", kind, n, at)
	c.begin()
	compared := 0
	if c.decided() {
		c.hold(when)
		compared = 1
	}
	for end := time.Now().Add(patience); !c.daemon.gone(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			c.Fatalf("%s does not come", when)
		}
		if shot, err := c.daemon.Status(c.Context()); err == nil {
			c.operate(shot)
		}
	}
	c.kill()
	text, err := os.ReadFile(note)
	if err != nil {
		c.Fatalf("%s: the daemon has ended by itself: %v, %v", when, c.daemon.err, err)
	}
	if err := os.Remove(note); err != nil {
		c.Fatal(err)
	}
	parts := strings.SplitN(strings.TrimSpace(string(text)), "|", 4)
	if len(parts) != 4 {
		c.Fatalf("%s: the note is %q", when, text)
	}
	if _, err := fmt.Sscan(parts[2], &seen); err != nil {
		c.Fatal(err)
	}
	c.checkLedger()
	all.mu.Lock()
	defer all.mu.Unlock()
	all.kills, all.compared = all.kills+1, all.compared+compared
	if all.points[parts[1]] == nil {
		all.points[parts[1]] = map[string]int{}
	}
	all.points[parts[1]][kind]++
	return parts[3], seen
}

// TestKillEachCommit makes a lot of two parts, and ends the process
// at each commit of it in turn: before, in and after it. The next process finishes the
// lot and strikes in one that it opens then. Without BELTWARDEN_KILLS it takes the first.
func TestKillEachCommit(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	bound := numberFrom(t, "BELTWARDEN_KILLS", 3)
	all := &struckAt{points: map[string]map[string]int{}}
	t.Run("kinds", func(t *testing.T) {
		for i, kind := range kinds[:3] {
			t.Run(kind, func(t *testing.T) {
				t.Parallel()
				c := newCampaign(t, "lasting", 1, uint64(200+i))
				c.good = 2
				n := 1
				for ; n <= (bound+2)/3; n++ {
					what, seen := c.strikeOnce(all, kind, inLot, n)
					t.Logf("commit %d: %s", n, what)
					if seen > 1 && strings.Contains(what, "LotOpened") {
						break // the lot before had fewer: all were struck
					}
				}
				c.account(all)
			})
		}
	})
	t.Logf("%v", all)
}
