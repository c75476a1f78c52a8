package main

import (
	"bytes"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"beltwarden/serialio/rig"
)

// The job of the campaign, with the ends of its body read off the file by hand.
const (
	clipFile      = "../testdata/jobs/stake-clip.gcode"
	clipBodyFirst = 23
	clipBodyLast  = 816
)

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
	good    int    // parts of a lot
	strike  string // where the next daemon is to end itself; empty: nowhere

	beyond    float64       // belt travel of the machine beyond the ledger's at the last comparison, mm
	ahead     float64       // its advance beyond the ledger's
	uncertain float64       // and what the ledger called uncertain then
	discharge time.Duration // wall time from a part's end to the next one's begin
	cycle     time.Duration // from one part's end to the next one's
	struck    map[string]int
	early     int // kills during recovery
}

func newCampaign(t *testing.T, board string, seed, stream uint64) *campaign {
	c := &campaign{T: t, rnd: rand.New(rand.NewPCG(seed, stream)), seed: seed, struck: map[string]int{}, good: 3,
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
	if c.strike == "" {
		c.daemon = c.serve(c, "beltwarden")
		return
	}
	cmd := exec.Command("beltwarden-struck", c.config)
	cmd.Env = append(os.Environ(), strikeVariable+"="+c.strike)
	c.daemon = c.start(c, cmd)
}

// kill ends the process as the kernel does when it runs out of memory.
func (c *campaign) kill() {
	_ = c.daemon.cmd.Process.Kill()
	<-c.daemon.ended
	c.daemon.Close()
	c.witness.tell(nil)
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
