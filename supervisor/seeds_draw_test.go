package supervisor

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/ledger"
)

// scene is everything that a seed decides before the run: machine, wire, lot, what
// goes wrong and what the operator does. What happens later draws from rng.
type scene struct {
	seed      uint64
	board     string
	rig       rig.Settings
	set       Settings
	jobs      []string // names of the pool's files
	good      []int
	order     string
	small     bool // the board's receive buffer is smaller than configured
	acts      []act
	rng       *rand.Rand
	unchecked bool // the ledger's rows are not compared with one another
	persist   int  // how often the operator restarts a machine that has stopped

	bed   bool // the job must heat the bed
	alone int  // how often it must resume by itself; 0: not tested

	wide *rand.Rand // what wide seeds draw from later; nil in others
}

// act is something that a person does: after so many lines were handed out, or
// after some time, whichever comes first.
type act struct {
	what  string
	lines int
	after time.Duration
	for_  time.Duration // how long a cable stays out
	cold  bool          // the board loses its power in the meantime

	when string        // wide seeds: what the machine is doing by then,
	wait time.Duration // and for how long
	draw uint64        // what else is drawn for it
}

func (a act) String() string {
	if a.when != "" {
		return fmt.Sprintf("%s %v into %q", a.what, a.wait, a.when)
	}
	return fmt.Sprintf("%s after %d lines or %v", a.what, a.lines, a.after)
}

// String describes the seed, for the report of a failure.
func (s *scene) String() string {
	return fmt.Sprintf("board %s, window %d of %d, %d baud, latency %v, %v x %v in %s, faults %v, acts %v", s.board, s.set.Conn.WindowBytes,
		s.rig.Board.ReceiveBuffer, s.set.Port.BaudRate, s.rig.Board.Latency, s.good, s.jobs, s.order, s.rig.Faults, s.acts)
}

// draw makes the scene of a seed. Equal seeds give equal scenes.
// The pool's first half is for the seeds below wideFrom.
func draw(seed uint64, names []string, boards map[string]rig.Board, all []string) *scene {
	pool := all[:len(all)/2]
	rng := rand.New(rand.NewPCG(seed, 0x62777264))
	s := &scene{seed: seed, rng: rng, rig: testRig(), set: testSettings()}
	s.board = names[rng.IntN(len(names))]
	s.rig.Board = boards[s.board]
	s.rig.Seed = seed
	s.rig.ReadTimeout = time.Minute
	s.rig.Board.Latency = time.Duration(rng.IntN(4000)) * time.Microsecond
	s.rig.Board.BootTime = time.Duration(50+rng.IntN(1500)) * time.Millisecond
	smallHeaters(s)
	bauds := []int{115200, 250000, 1000000}
	s.set.Port.BaudRate = bauds[rng.IntN(len(bauds))]
	if rng.IntN(2) == 0 {
		s.set.Conn.ReplyLimit, s.set.Conn.SilenceLimit = 3*time.Second, 20*time.Second
	}
	if rng.IntN(3) > 0 {
		full := s.rig.Board.ReceiveBuffer
		s.set.Conn.WindowBytes = full - rng.IntN(full-60)
	}
	if rng.IntN(12) == 0 {
		s.small = true
		s.set.Conn.WindowBytes = max(s.set.Conn.WindowBytes, 120)
		s.rig.Board.ReceiveBuffer = 48 + rng.IntN(48)
	}
	if rng.IntN(4) == 0 {
		s.set.CheckEveryParts = 1 + rng.IntN(2)
	}
	// Drawn separately, so that recorded seeds keep their meaning.
	if more := rand.New(rand.NewPCG(seed, 0x6d6f7265)); more.IntN(2) == 0 {
		s.set.AutoResumePerDay, s.set.AutoResumeAfter = 1+more.IntN(3), time.Duration(1+more.IntN(5))*time.Minute
	}
	s.order = []string{ledger.OrderBlocks, ledger.OrderTurn}[rng.IntN(2)]
	for range 1 + rng.IntN(5)/4 {
		s.jobs = append(s.jobs, pool[rng.IntN(len(pool))])
		s.good = append(s.good, 1+rng.IntN(2))
	}
	s.persist = rng.IntN(4)
	s.rig.Faults = drawFaults(rng)
	for range max(0, rng.IntN(4)-1) {
		s.acts = append(s.acts, drawAct(rng))
	}
	if seed >= wideFrom {
		s.set.FirstArticle = rand.New(rand.NewPCG(seed, 0x61727469)).IntN(3) == 0
	}
	switch {
	case seed >= pairFrom:
		pairUp(s, boards, all)
	case seed >= wideFrom:
		widen(s, all)
	}
	return s
}

// smallHeaters make heating quick, and no less real.
func smallHeaters(s *scene) {
	s.rig.Machine.Nozzle.HeatJPerK, s.rig.Machine.Bed.HeatJPerK = 2, 20
	s.set.PollEvery, s.set.ProgressEvery, s.set.Conn.BootWait = 15*time.Second, 2*time.Minute, 2*time.Second
}

// drawFaults chooses up to three kinds of fault. Rates are spread evenly over their logarithm, so that
// rare and frequent are both common.
func drawFaults(rng *rand.Rand) []rig.Fault {
	spread := func(low, high float64) float64 { return low * math.Pow(high/low, rng.Float64()) }
	lasting := func(low, high time.Duration) time.Duration {
		return time.Duration(spread(low.Seconds(), high.Seconds()) * 1e9).Round(time.Millisecond)
	}
	way := func() rig.Direction { return rig.Direction(rng.IntN(3)) }
	line := func() uint64 { return 1 + uint64(rng.IntN(250)) }
	var list []rig.Fault
	for range rng.IntN(4) {
		switch k := rng.IntN(16); k {
		case 0, 1:
			list = append(list, rig.Fault{Kind: rig.Flip, Rate: spread(1e-4, 1e-2), Way: way()})
		case 2, 3:
			list = append(list, rig.Fault{Kind: rig.Drop, Rate: spread(1e-4, 5e-3), Way: way()})
		case 4, 5:
			list = append(list, rig.Fault{Kind: rig.Double, Rate: spread(1e-4, 5e-3), Way: way()})
		case 6:
			list = append(list, rig.Fault{Kind: rig.Delay, Rate: spread(1e-4, 5e-3), For: lasting(time.Millisecond, 4*time.Second), Way: way()})
		case 7:
			list = append(list, rig.Fault{Kind: rig.LoseOk, Rate: spread(1e-3, 5e-2)})
		case 8:
			list = append(list, rig.Fault{Kind: rig.LoseResend, Rate: spread(1e-2, 0.6)}, rig.Fault{Kind: rig.Flip, Rate: 1e-3, Way: rig.ToBoard})
		case 9:
			list = append(list, rig.Fault{Kind: rig.RepeatResend, Rate: spread(1e-2, 1)}, rig.Fault{Kind: rig.Drop, Rate: 1e-3, Way: rig.ToBoard})
		case 10:
			list = append(list, rig.Fault{Kind: rig.Garbage, Rate: spread(1e-3, 5e-2)})
		case 11:
			list = append(list, rig.Fault{Kind: rig.Busy, Line: line(), For: lasting(time.Second, 10*time.Minute)})
		case 12:
			list = append(list, rig.Fault{Kind: rig.Silence, Line: line(), For: lasting(100*time.Millisecond, 3*time.Minute)})
		case 13:
			list = append(list, rig.Fault{Kind: rig.Reset, Line: line()})
		case 14:
			list = append(list, rig.Fault{Kind: rig.Unplug, Line: line(), For: lasting(100*time.Millisecond, 5*time.Minute), Restart: rng.IntN(2) == 0})
		case 15:
			list = append(list, rig.Fault{Kind: rig.HeaterFault, Line: line()})
		}
	}
	return list
}

func drawAct(rng *rand.Rand) act {
	words := []string{"hold", "hold", "suspend", "stop", "stop after part", "stop and clear", "abort", "check", "restart", "restart", "button", "unplug", "complete"}
	a := act{what: words[rng.IntN(len(words))], lines: 1 << 30, after: time.Duration(rng.IntN(120_000_000)) * time.Microsecond}
	if rng.IntN(2) == 0 {
		a.lines, a.after = rng.IntN(250), 10*time.Minute
	}
	a.for_, a.cold = time.Duration(1+rng.IntN(90_000))*time.Millisecond, rng.IntN(2) == 0
	return a
}

// seedJob writes a part of few and short moves: a campaign tests lines, not plastic. The last stroke
// of a slow one takes longer than the limit on a silent board.
func seedJob(rng *rand.Rand, slow bool) string {
	var b strings.Builder
	line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	line("; small peg\nG21\nG90\nM82")
	if rng.IntN(2) == 0 {
		line("M140 S%d", 40+rng.IntN(20))
	}
	line("M104 S%d\nG28\nG92 E0", 190+rng.IntN(20))
	if rng.IntN(2) == 0 {
		line("M109 S200 ; may take a while")
	}
	x, y, e := 20.0, 3.0, 0.0
	line("G1 X%.2f Y%.2f Z0.2 F6000", x, y)
	for n := 12 + rng.IntN(70); n > 0; n-- {
		switch rng.IntN(12) {
		case 0:
			line("M106 S%d", rng.IntN(256))
		case 1:
			line("G4 P%d", rng.IntN(60))
		case 2:
			x = math.Round(rng.Float64()*60*1000) / 1000
			line("G0 X%.3f F6000", x)
		default:
			x = min(60, max(0, x+math.Round((rng.Float64()*4-2)*1000)/1000))
			y = min(12, max(0, y+math.Round((rng.Float64()*2-1)*1000)/1000))
			e += 0.05
			line("G1 X%.3f Y%.3f E%.4f", x, y, e)
		}
	}
	if slow {
		line("G1 X%.3f E%.4f F%d", 60-x, e+0.05, 20+rng.IntN(40))
	}
	line("G1 E%.4f F1800\nM104 S0\nM140 S0\nM84", e-1)
	return b.String()
}

// TestDrawIsRepeatable: a seed means the same run tomorrow.
func TestDrawIsRepeatable(t *testing.T) {
	boards, names := boardTable()
	pool := []string{"a", "b", "c", "d", "e", "f"}
	for n := range uint64(150) {
		seed := n%50 + n/50*wideFrom
		one, two := draw(seed, names, boards, pool), draw(seed, names, boards, pool)
		if one.String() != two.String() || one.rng.Uint64() != two.rng.Uint64() {
			t.Fatalf("seed %d: %v and %v", seed, one, two)
		}
	}
	if draw(1, names, boards, pool).String() == draw(2, names, boards, pool).String() {
		t.Error("two seeds, one scene")
	}
}
