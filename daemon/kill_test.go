package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// The job of the campaign, with the ends of its body read off the file by hand.
const (
	clipFile      = "../testdata/jobs/stake-clip.gcode"
	clipBodyFirst = 23
	clipBodyLast  = 816
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
	if testing.Short() {
		kills = 3
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

// numberFrom reads a number from the environment.
func numberFrom(t *testing.T, name string, other int) int {
	text, ok := os.LookupEnv(name)
	if !ok {
		return other
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("%s=%q is not a count", name, text)
	}
	return n
}

// campaign is one machine and the daemons that follow one another on it.
type campaign struct {
	*testing.T
	*workshop
	rnd     *rand.Rand
	seed    uint64
	restart bool // the board restarts when the port is opened
	rig     *rig.Rig
	witness *witness
	daemon  *serving
	job     string

	beyond    float64       // belt travel of the machine beyond the ledger's at the last comparison, mm
	ahead     float64       // its advance beyond the ledger's
	uncertain float64       // and what the ledger called uncertain then
	discharge time.Duration // wall time from a part's end to the next one's begin
	cycle     time.Duration // from one part's end to the next one's
	struck    map[string]int
	early     int // kills during recovery
}

func newCampaign(t *testing.T, board string, seed, stream uint64) *campaign {
	c := &campaign{T: t, rnd: rand.New(rand.NewPCG(seed, stream)), seed: seed, struck: map[string]int{},
		discharge: time.Second, cycle: 2 * time.Second}
	c.workshop = newWorkshop(t, "  window_bytes: 0\n", "hold:\n  every_parts: 2\n")
	c.witness = &witness{body: bodyOf(t, clipFile, clipBodyFirst, clipBodyLast)}
	s := rig.DefaultSettings()
	s.Belt.Axis, s.Belt.LoopLengthMM, s.Speed, s.RecordTo = 'Y', 2400, 1000, c.witness
	s.Belt.SlipOnReleaseMM = 0 // what slips when a board restarts is no travel
	s.Board = rig.Variations()[board]
	c.restart = s.Board.ResetOnOpen
	c.rig = c.simulate(t, s)
	var err error
	if c.job, err = filepath.Abs(clipFile); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("to choose the same moments again: BELTWARDEN_SEED=%d; the daemon's log ends with\n%s", seed, c.tail())
		}
	})
	return c
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

// begin starts the next daemon: with one unanswered line at a time, or with as many
// as a common board's receive buffer holds, of which the dead one leaves some behind.
func (c *campaign) begin() {
	window := []string{"  window_bytes: 0\n", "  window_bytes: 120\n"}
	text, err := os.ReadFile(c.config)
	if err != nil {
		c.Fatal(err)
	}
	text = bytes.Replace(text, []byte(window[1]), []byte(window[0]), 1)
	text = bytes.Replace(text, []byte(window[0]), []byte(window[c.rnd.IntN(2)]), 1)
	if err := os.WriteFile(c.config, text, 0o644); err != nil {
		c.Fatal(err)
	}
	c.daemon = c.serve(c, "beltwarden")
}

// kill ends the process as the kernel does when it runs out of memory.
func (c *campaign) kill() {
	_ = c.daemon.cmd.Process.Kill()
	<-c.daemon.ended
	c.daemon.Close()
	c.witness.tell(nil)
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
		c.witness.told = nil
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

// operate does what an operator would do now. A request that is refused, or that
// the kill cuts off, is tried again or not, as the next state asks for.
func (c *campaign) operate(s *supervisor.Snapshot) {
	ctx := c.Context()
	command := func(name supervisor.Command) {
		_, err := c.daemon.Command(ctx, client.CommandRequest{Command: name})
		c.tolerate(err)
	}
	switch s.State {
	case supervisor.Aborted:
		command(supervisor.Clear)
	case supervisor.Held:
		c.visit(s)
		command(supervisor.Unhold)
	case supervisor.Stopped:
		command(supervisor.Reset)
	case supervisor.Idle, supervisor.Complete:
		c.visit(s)
		s, err := c.daemon.Status(ctx)
		switch {
		case err != nil:
			return
		case s.Lot == nil || s.Lot.Status == ledger.LotClosed:
			_, err = c.daemon.OpenLot(ctx, client.LotRequest{Jobs: []string{c.job}, Good: []int{3}, Start: true})
			c.tolerate(err)
		case s.State == supervisor.Complete:
			command(supervisor.Reset)
		case s.State == supervisor.Idle:
			command(supervisor.Start)
		}
	}
}

// visit records what is to be seen at the machine: every part made is good, every
// part begun and not made is scrap, and nothing is left on the belt.
func (c *campaign) visit(s *supervisor.Snapshot) {
	v := supervisor.Visit{BeltCleared: true}
	if l := s.Lot; l != nil {
		v.Good = l.Unverified
		if l.Interrupted > 0 {
			v.Interrupted = "scrap"
		}
		if v.Good == 0 && v.Interrupted == "" && s.Belt.Clear && s.State != supervisor.Held {
			return
		}
	} else if s.Belt.Clear {
		return
	}
	_, err := c.daemon.Check(c.Context(), client.CheckRequest{Visit: v})
	c.tolerate(err)
}

// tolerate lets an error pass that the kill, or a state that has just changed,
// explains.
func (c *campaign) tolerate(err error) {
	var p *client.Problem
	if err == nil || errors.As(err, &p) && p.Status == 409 || c.daemon.gone() {
		return
	}
	var away *client.UnreachableError
	var lost *client.LostError
	if errors.As(err, &away) || errors.As(err, &lost) {
		return // killed, and not yet waited for
	}
	c.Errorf("the operator's request failed: %v", err)
}

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

// compare waits until the new process has spoken to the board and has made up its
// mind, and holds its count against the machine's record.
func (c *campaign) compare(when string) {
	c.Helper()
	eventually(c, "the daemon has spoken to the board", func() bool {
		if c.daemon.gone() {
			c.Fatalf("%s: the daemon has ended by itself: %v", when, c.daemon.err)
		}
		s, err := c.daemon.Status(c.Context())
		return err == nil && s.Line.Connected && (s.State == supervisor.Aborted || s.State == supervisor.Idle)
	})
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

// finish ends the last daemon in an orderly way and prints the result.
func (c *campaign) finish() {
	c.daemon.stop(c)
	c.checkLedger()
	s, err := c.sums()
	if err != nil {
		c.Fatal(err)
	}
	n := c.early
	for _, k := range c.struck {
		n += k
	}
	seen := c.witness.tally()
	if seen.made == 0 && n >= 8 { // two or three may well all strike in the middle of a part
		c.Error("not one part was made: the kills show nothing")
	}
	c.Logf("%d kills (seed %d; %v, %d during recovery): %d parts on the machine, %d counted, %d interrupted, %d proved by line number",
		n, c.seed, c.struck, c.early, seen.made, s.confirmed, s.interrupted, s.byNumber)
}
