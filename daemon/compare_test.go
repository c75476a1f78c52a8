package main

import (
	"context"
	"errors"
	"math"
	"os"
	"os/exec"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// checkLedger has the shipped command read the file that the dead process left.
func (c *campaign) checkLedger() {
	c.Helper()
	if _, err := os.Stat(c.ledger); errors.Is(err, os.ErrNotExist) {
		return // killed before it was made
	}
	if o := command(c, exec.Command("beltwarden", "ledger", "check", c.ledger)); o.status != exitOK {
		c.Errorf("ledger check ends with %d\n%s%s", o.status, o.stdout, o.stderr)
	}
}

// sums are the ledger's counts over all lots.
type sums struct {
	begun, running, confirmed, interrupted, byNumber int
	belt                                             ledger.Belt
}

func (c *campaign) sums() (s sums, err error) {
	ctx := context.Background()
	l, err := ledger.Open(c.ledger, ledger.Options{ReadOnly: true})
	if err != nil {
		return s, err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	lots, err := l.Lots(ctx)
	if err != nil {
		return s, err
	}
	for _, lot := range lots {
		n, err := l.Counts(ctx, lot.ID)
		if err != nil {
			return s, err
		}
		s.begun, s.running, s.confirmed = s.begun+n.CyclesBegun, s.running+n.Running, s.confirmed+n.Confirmed
		s.interrupted += n.Interrupted + n.InterruptedScrap + n.InterruptedGood
		cycles, err := l.Cycles(ctx, lot.ID)
		if err != nil {
			return s, err
		}
		for _, cycle := range cycles {
			if cycle.Evidence == ledger.EvidenceLineNumber {
				s.byNumber++
			}
		}
	}
	s.belt, err = l.Belt(ctx)
	return s, err
}

// decided waits until the new process has spoken to the board and has made up its
// mind. It is false when the process was killed before that.
func (c *campaign) decided() (yes bool) {
	c.Helper()
	eventually(c, "the daemon has spoken to the board", func() bool {
		if c.daemon.gone() {
			return true
		}
		s, err := c.daemon.Status(c.Context())
		yes = err == nil && s.Line.Connected && (s.State == supervisor.Aborted || s.State == supervisor.Idle)
		return yes
	})
	return yes
}

// compare holds the count of a process that lives against the machine's record.
func (c *campaign) compare(when string) {
	c.Helper()
	if !c.decided() {
		c.Fatalf("%s: the daemon has ended by itself: %v", when, c.daemon.err)
	}
	c.hold(when)
}

// hold holds the ledger's count against the machine's record, once the new process
// has made up its mind.
func (c *campaign) hold(when string) {
	c.Helper()
	s, err := c.sums()
	if err != nil {
		c.Fatal(err)
	}
	seen := c.witness.tally()
	c.Logf("%s: machine %+v, ledger %+v", when, seen, s)
	switch {
	case s.confirmed > seen.made:
		c.Errorf("%s: %d parts are counted, the machine has made %d: one too many", when, s.confirmed, seen.made)
	case s.confirmed < seen.made && !c.restart:
		c.Errorf("%s: %d parts are counted, the machine has made %d", when, s.confirmed, seen.made)
	case s.confirmed+s.interrupted < seen.made:
		c.Errorf("%s: %d parts counted and %d interrupted do not explain %d made", when, s.confirmed, s.interrupted, seen.made)
	}
	if s.running != 0 || s.begun != s.confirmed+s.interrupted {
		c.Errorf("%s: %d begun are not %d counted and %d interrupted; %d are open", when, s.begun, s.confirmed, s.interrupted, s.running)
	}
	if seen.begun > s.begun || seen.torn > s.interrupted || seen.open != 0 {
		c.Errorf("%s: the machine has begun %d parts, the ledger %d; it has given up %d, the ledger %d; %d in progress",
			when, seen.begun, s.begun, seen.torn, s.interrupted, seen.open)
	}
	c.compareBelt(when, s.belt)
}

// compareBelt expects the belt where the ledger says, give or take what it calls
// uncertain.
func (c *campaign) compareBelt(when string, b ledger.Belt) {
	c.Helper()
	const exact = 0.1 // mm, for the roundings of a thousand lines
	f := c.rig.Figures()
	beyond, ahead, uncertain := f.CommandedMM-b.TravelMM, f.BeltAdvanceMM-b.AdvanceMM, b.UncertainMM-c.uncertain
	if more := beyond - c.beyond; !(more > -exact && more < uncertain+exact) {
		c.Errorf("%s: since the last kill the belt has run %.1f mm more than the ledger says, and %.1f are called uncertain",
			when, more, uncertain)
	}
	if more := ahead - c.ahead; !(math.Abs(more) < uncertain+exact) {
		c.Errorf("%s: since the last kill the belt has advanced %.1f mm more than the ledger says, and %.1f are called uncertain",
			when, more, uncertain)
	}
	c.ahead = ahead
	c.beyond, c.uncertain = beyond, b.UncertainMM
}
