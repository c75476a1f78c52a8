package main

import (
	"fmt"
	"testing"
	"time"

	"beltwarden/supervisor"
)

// moments are where in a lot the process is killed. Each is used in turn.
var moments = []string{"in the part", "at the part's end", "in the discharge", "in the lead-in",
	"in a hold", "at the part's end", "at any time", "at the lot's end"}

// TestKillDaemon kills the daemon's process with SIGKILL at random moments of
// lots on a machine that goes on by itself, as a real one does, and holds the
// count against the machine's own record after each restart. BELTWARDEN_KILLS is
// the number of kills, BELTWARDEN_SEED repeats the choice of moments.
func TestKillDaemon(t *testing.T) {
	t.Parallel() // it waits most of the time
	kills := 10
	switch {
	case testing.Short():
		kills = 3
	case underRace: // it sees nothing of a process that is killed, and slows each; one is killed during recovery, too
		kills = 4
	}
	kills = numberFrom(t, "BELTWARDEN_KILLS", kills)
	seed := uint64(numberFrom(t, "BELTWARDEN_SEED", int(time.Now().UnixNano()%1_000_000_000)))
	// A board that lasts keeps its line number over the daemon's death, so that a
	// part that was made is always counted.
	t.Run("lasting", func(t *testing.T) { t.Parallel(); newCampaign(t, "lasting", seed, 0).run(kills) })
	// One that restarts when the port is opened forgets it: such a part may end up
	// as interrupted, but never the other way about.
	t.Run("restarting", func(t *testing.T) { t.Parallel(); newCampaign(t, "common", seed, 1).run(max(kills/5, 2)) })
}

func (c *campaign) run(kills int) {
	c.begin()
	for n := range kills {
		moment := moments[(n+int(c.seed))%len(moments)]
		c.work(moment)
		c.struck[moment]++
		c.checkLedger()
		c.begin()
		if n%4 == 3 {
			// And again while the new process is finding out what the old one left.
			time.Sleep(time.Duration(c.rnd.Int64N(int64(time.Second))))
			c.kill()
			c.early++
			c.checkLedger()
			c.begin()
		}
		c.compare(fmt.Sprintf("kill %d, %s", n+1, moment))
	}
	c.finish()
}

// work plays the operator until the daemon is killed at the moment chosen.
func (c *campaign) work(moment string) {
	c.Helper()
	c.arm(moment)
	struck := false // by the state of the run, which the record does not show
	bound := time.Now().Add(patience)
	for !c.daemon.gone() {
		if time.Now().After(bound) {
			c.Fatalf("the moment to kill it %s does not come", moment)
		}
		shot, err := c.daemon.Status(c.Context())
		if err == nil && !struck && moment == placeOf(shot.State) {
			struck = true
			c.strikeSoon()
		}
		if err == nil {
			c.operate(shot)
		}
		time.Sleep(5 * time.Millisecond)
	}
	c.kill()
}

// strikeSoon kills the daemon a few lines or a little time from now.
func (c *campaign) strikeSoon() {
	p := c.daemon.cmd.Process
	if c.rnd.IntN(2) == 0 {
		time.AfterFunc(time.Duration(c.rnd.Int64N(int64(300*time.Millisecond))), func() { _ = p.Kill() })
		return
	}
	left := 1 + c.rnd.IntN(20)
	c.witness.tell(func(string) {
		if left--; left == 0 {
			_ = p.Kill()
		}
	})
}

// placeOf names the moment that a state stands for.
func placeOf(s supervisor.State) string {
	switch s {
	case supervisor.Starting:
		return "in the lead-in"
	case supervisor.Holding, supervisor.Held, supervisor.Unholding:
		return "in a hold"
	case supervisor.Completing, supervisor.Complete:
		return "at the lot's end"
	}
	return ""
}

// arm has the kill follow from what the machine executes, at once: it strikes in
// the goroutine of the machine, before the daemon hears of the line.
func (c *campaign) arm(moment string) {
	n := len(c.witness.body)
	kill := func(after time.Duration) {
		c.witness.seen = nil
		if p := c.daemon.cmd.Process; after <= 0 {
			_ = p.Kill()
		} else {
			time.AfterFunc(after, func() { _ = p.Kill() })
		}
	}
	atLine := func(line int, after time.Duration) {
		line = 1 + line%(n-1)
		c.witness.tell(func(string) {
			if c.witness.next == line {
				kill(after)
			}
		})
	}
	atEnd := func(after time.Duration) {
		made := -1
		c.witness.tell(func(string) {
			if made < 0 {
				made = c.witness.made
			} else if c.witness.made > made {
				kill(after)
			}
		})
	}
	switch moment {
	case "in the part":
		atLine(c.rnd.IntN(n), 0)
	case "at the part's end":
		// The machine has the last line, or is about to; the ledger does not know.
		switch k := c.rnd.IntN(4); k {
		case 0:
			atLine(n-2-c.rnd.IntN(4), time.Duration(c.rnd.Int64N(int64(3*time.Millisecond))))
		case 1:
			atEnd(time.Duration(c.rnd.Int64N(int64(5 * time.Millisecond))))
		default:
			atEnd(0)
		}
	case "in the discharge":
		atEnd(time.Duration(c.rnd.Int64N(int64(c.discharge))))
	case "at any time":
		atEnd(time.Duration(c.rnd.Int64N(int64(c.cycle))))
	}
}
