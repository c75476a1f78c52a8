package supervisor

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
)

// wideFrom is the first of the seeds that draw from everything: all of a person's commands and visits,
// trials and changes of scale, processes that are killed, disks that fail, heaters and sensors that
// fail, several lots, other house rules and other shapes of jobs. Seeds below it keep their meaning.
const wideFrom = 1_000_000_000

// widen adds to a scene what seeds below wideFrom never draw. It draws separately.
func widen(s *scene, all []string) {
	rng := rand.New(rand.NewPCG(s.seed, 0x77696465))
	one := func(in int) bool { return rng.IntN(in) == 0 }
	s.wide = rng
	s.jobs, s.good = nil, nil
	for range 1 + rng.IntN(6)/3 {
		s.jobs = append(s.jobs, all[rng.IntN(len(all))])
		s.good = append(s.good, 1+rng.IntN(3))
	}
	drawHouse(s, rng)
	if one(4) {
		kinds := []rig.FaultKind{rig.NoHeat, rig.StuckSensor, rig.FullHeat, rig.BrokenSensor, rig.Retarget}
		s.rig.Faults = append(s.rig.Faults, rig.Fault{Kind: kinds[rng.IntN(len(kinds))], Line: 1 + uint64(rng.IntN(250)), Bed: one(2)})
	}
	if one(3) {
		s.rig.Faults = append(s.rig.Faults, drawFaults(rng)...)
	}
	for range rng.IntN(6) {
		s.acts = append(s.acts, drawWideAct(rng))
	}
	if apart := rand.New(rand.NewPCG(s.seed, 0x73657470)); apart.IntN(5) == 0 { // apart, so that the others keep their meaning
		for range 1 + apart.IntN(3) {
			a := drawWideAct(apart)
			a.what = "setup"
			s.acts = slices.Insert(s.acts, apart.IntN(len(s.acts)+1), a)
		}
	}
	if one(8) { // nobody comes to the machine for long
		s.persist = 0
	} else {
		s.persist += rng.IntN(4)
	}
}

// drawHouse draws house rules.
func drawHouse(s *scene, rng *rand.Rand) {
	one := func(in int) bool { return rng.IntN(in) == 0 }
	minutes := func(n int) time.Duration { return time.Duration(1+rng.IntN(n)) * time.Minute }
	set := &s.set
	if one(3) {
		set.BinParts = 1 + rng.IntN(4)
	}
	if one(6) {
		set.Attended = pace.Hours{ToMin: 60 * (1 + rng.IntN(23))}
	}
	if one(4) {
		set.CheckEveryMM = 20 + 200*rng.Float64()
	}
	if one(6) {
		set.CheckEvery = minutes(60)
	}
	if one(3) {
		set.SeamMM = 5 + 30*rng.Float64()
	}
	if one(3) {
		set.Park, set.ParkXMM = true, 60*rng.Float64()
	}
	if one(4) {
		set.HeatersOffAfter = minutes(10)
	}
	if one(4) {
		set.ReleaseC = 0
	}
	if one(5) {
		set.ClearAtEnd = false
	}
	if one(5) {
		set.PrimeMM = 0
	}
	if one(5) {
		set.TravelLimitMM = 20 + 60*rng.Float64()
	}
	if one(4) {
		set.DiskReserveBytes = 50e6
	}
	if one(6) {
		set.BoardIdle = 20 * time.Minute
	}
	if one(6) {
		set.VisitAhead = minutes(20)
	}
	if one(3) {
		set.WorstDriftMMPerM = 0.1 * rng.Float64()
	}
}

// wideWords are what a person, a computer or a disk does in a wide seed.
var wideWords = []string{"hold", "hold", "suspend", "stop", "stop after part", "stop and clear", "abort", "check", "restart", "button", "unplug", "unplug",
	"complete", "unhold", "unsuspend", "start", "reset", "clear", "clear and go on", "acknowledge", "end lot", "lot", "spool", "bin", "realign", "seam",
	"surface", "lengths", "count", "correct", "cleared", "trial", "trial end", "trial give up", "scale", "undo scale", "kill", "kill", "kill and cool",
	"low disk", "room", "commits fail", "heat fault"}

// wideMoments are what the machine can be doing when something happens; empty: at a drawn time or line.
var wideMoments = []string{"", "", "", "", "lead-in", "making part", "heating", "cooling", "lifting", "advancing", "parking", "priming", "running", "switching",
	"lead-out", "Resetting", "Clearing", "Aborting", "Aborted", "Held", "Suspended", "Stopped", "Idle", "Complete"}

func drawWideAct(rng *rand.Rand) act {
	a := drawAct(rng)
	a.what = wideWords[rng.IntN(len(wideWords))]
	a.when = wideMoments[rng.IntN(len(wideMoments))]
	a.wait = time.Duration(rng.IntN(20)*rng.IntN(20)) * 50 * time.Millisecond
	a.draw = rng.Uint64()
	return a
}

// moment waits until the machine does what an act waits for, and a moment longer.
func (w *world) moment(a act) {
	for begun := time.Now(); time.Since(begun) < 20*time.Minute; time.Sleep(100 * time.Millisecond) {
		s := w.sup.Snapshot()
		if strings.Contains(s.Doing, a.when) || s.State.String() == a.when {
			break
		}
		if (a.when == nextHeats || a.when == nextWarms) && w.warms(a.when == nextWarms) {
			break
		}
	}
	time.Sleep(a.wait)
}

// actWide carries out the acts that only wide seeds draw. It returns false for any other act.
func (w *world) actWide(a act) bool {
	rng := rand.New(rand.NewPCG(a.draw, 0))
	do := func(r Request) { w.say(r) }
	float := func(low, high float64) *float64 { f := low + (high-low)*rng.Float64(); return &f }
	switch a.what {
	case "unhold":
		do(Request{Command: Unhold, Override: "seed"})
	case "unsuspend":
		do(Request{Command: Unsuspend, Override: "seed"})
	case "start":
		do(Request{Command: Start})
	case "reset":
		do(Request{Command: Reset})
	case "clear":
		do(Request{Command: Clear})
	case "clear and go on":
		do(Request{Command: Clear, Continue: true})
	case "acknowledge":
		do(Request{Acknowledge: true})
	case "end lot":
		do(Request{EndLot: true})
	case "lot":
		w.order1(rng)
	case "spool":
		do(Request{Visit: &Visit{SpoolG: float(0, 2)}})
	case "bin":
		do(Request{Visit: &Visit{BinEmptied: true}})
	case "realign":
		do(Request{Visit: &Visit{OffsetMM: float(-2, 2), Realigned: true, Sure: true}})
	case "seam":
		do(Request{Visit: &Visit{SeamMM: float(-600, 600), Sure: true}})
	case "surface":
		do(Request{Visit: &Visit{Surface: "cleaned"}})
	case "lengths":
		do(Request{Visit: &Visit{LengthsMM: []float64{*float(19, 21), *float(19, 21)}, Sure: true}})
	case "count":
		do(Request{Visit: &Visit{Good: rng.IntN(2), Scrap: map[string]int{"loose": rng.IntN(2)}, Sure: true}})
	case "correct":
		do(Request{Visit: &Visit{Corrects: 1 + rng.Int64N(4), OffsetMM: float(-1, 1), Good: rng.IntN(2), Sure: true}})
	case "cleared":
		w.look()
	case "trial":
		do(Request{TrialBegin: &TrialBegin{RunMM: 500 + 500*rng.Float64(), BeforeMM: float(-1, 1), Clear: true, Sure: true}})
	case "trial end":
		do(Request{TrialEnd: &TrialEnd{AfterMM: float(-1, 1), Sure: true, MarkMoved: true}})
	case "trial give up":
		do(Request{TrialEnd: &TrialEnd{GiveUp: true}})
	case "setup":
		if rng.IntN(3) == 0 { // with the lot given up, it may be carried out
			do(Request{Command: Stop})
			do(Request{EndLot: true})
			w.look()
			time.Sleep(time.Duration(rng.IntN(120)) * time.Minute)
		}
		sup, q := w.sup, &SetupMove{MM: *float(-100, 100), FromMark: rng.IntN(2) == 0, Clear: true}
		w.saidAt.Store(time.Now().UnixNano())
		go func() { _, _ = sup.Do(context.Background(), Request{SetupMove: q}) }() // it is answered when the belt has stopped
		time.Sleep(time.Duration(rng.IntN(8000)) * time.Millisecond)
		do(Request{SetupFound: &SetupFound{Direction: "away"}})
	case "scale":
		do(Request{Scale: &ScaleRequest{NowStepsPerMM: 80, StepsPerMM: 80 * *float(0.9, 1.1), Store: rng.IntN(2) == 0}})
	case "undo scale":
		do(Request{Scale: &ScaleRequest{Undo: true}})
	case "kill", "kill and cool":
		w.kill(a)
	case "low disk":
		_ = w.sup.ReportFreeSpace(context.Background(), 10e6)
	case "room":
		_ = w.sup.ReportFreeSpace(context.Background(), 1e9)
	case "commits fail":
		w.kept.fail.Store(int32(1 + rng.IntN(4)))
	case "heat fault":
		kinds := []rig.FaultKind{rig.NoHeat, rig.StuckSensor, rig.FullHeat, rig.BrokenSensor, rig.Retarget}
		if err := w.rig.Inject(rig.Fault{Kind: kinds[rng.IntN(len(kinds))], Bed: rng.IntN(2) == 0}); err != nil {
			w.wrong("%v", err)
		}
	default:
		return false
	}
	return true
}

// say makes a request of the run, which may refuse it.
func (w *world) say(r Request) bool {
	w.forget(r)
	_, err := w.sup.Do(context.Background(), r)
	w.saidAt.Store(time.Now().UnixNano())
	return err == nil
}

// look is a person who clears the belt and reports it.
func (w *world) look() {
	w.rig.ClearBelt()
	v := &Visit{BeltCleared: true}
	if s := w.sup.Snapshot(); s.Lot != nil && s.Lot.Interrupted > 0 {
		v.Interrupted = "scrap"
	}
	w.say(Request{Visit: v})
}

// order1 orders another lot.
func (w *world) order1(rng *rand.Rand) {
	lot := &LotRequest{Order: w.order, Start: true}
	for range 1 + rng.IntN(2) {
		lot.Plans = append(lot.Plans, w.plans[w.jobs[rng.IntN(len(w.jobs))]])
		lot.Good = append(lot.Good, 1+rng.IntN(2))
	}
	if res, err := w.sup.Do(context.Background(), Request{By: "seed", Lot: lot}); err == nil {
		w.lots = append(w.lots, res.LotID)
	}
}

// kill ends the process as the kernel does: nothing more reaches the wire or the ledger. Then the
// service may cool the heaters, and starts the next process.
func (w *world) kill(a act) {
	w.dead.Store(true)
	w.cancel()
	<-w.ended // what it would still have done
	time.Sleep(a.wait)
	if a.what == "kill and cool" {
		w.cool()
	}
	if !w.start() {
		w.ended <- nil
	}
}

// cool is what the service runs when the process has ended by itself.
func (w *world) cool() {
	w.notes.cooling()
	_, err := Cool(context.Background(), Cooling{Port: w.set.Port, Conn: w.set.Conn, Within: 4 * time.Minute, Every: 5 * time.Second}, w.open)
	if _, nozzle, _, bed := w.rig.Temperatures(); err == nil && (nozzle > 0 || bed > 0) {
		w.cooledHot = fmt.Sprintf("the heaters are said to be off, and are asked for %.0f and %.0f °C", nozzle, bed)
	}
}

// mortal is a port that is gone with the process that opened it.
type mortal struct {
	serialio.Port
	dead *atomic.Bool
}

var errKilled = errors.New("the process was killed")

func (p *mortal) Read(b []byte) (int, error) {
	n, err := p.Port.Read(b)
	if p.dead.Load() {
		return 0, errKilled
	}
	return n, err
}

func (p *mortal) Write(b []byte) (int, error) {
	if p.dead.Load() {
		return 0, errKilled
	}
	return p.Port.Write(b)
}

// judgePeace checks what rest means: nothing moves and nothing heats beside a person who may be at the
// machine, and no heater stays on because nobody is.
func (w *world) judgePeace() {
	time.Sleep(w.set.HeatersOffAfter + 2*time.Minute)
	if w.sup.Snapshot().State != w.rest || w.rig.Figures().Halted {
		return
	}
	before := len(w.rig.Record())
	if _, nozzle, _, bed := w.rig.Temperatures(); (nozzle > 0 || bed > 0) && w.figuresOf("retarget") == 0 {
		w.peace = fmt.Sprintf("%s for %v, and the heaters are asked for %.0f and %.0f °C", w.rest, w.set.HeatersOffAfter+2*time.Minute, nozzle, bed)
	}
	time.Sleep(5 * time.Minute)
	if w.sup.Snapshot().State != w.rest {
		return
	}
	for _, e := range w.rig.Record()[before:] {
		heats := (strings.HasPrefix(e.Text, "M104") || strings.HasPrefix(e.Text, "M140")) && !strings.HasSuffix(e.Text, " S0")
		if strings.HasPrefix(e.Text, "G") || heats {
			w.peace = fmt.Sprintf("it rests %s, and %q was done", w.rest, e.Text)
		}
	}
}

func (w *world) figuresOf(kind string) uint64 { return w.rig.Figures().Faults[kind] }

// heatFailed reports whether a heater or sensor has failed.
func (w *world) heatFailed() bool {
	for _, k := range []rig.FaultKind{rig.NoHeat, rig.StuckSensor, rig.FullHeat, rig.BrokenSensor, rig.Retarget} {
		if w.figuresOf(k.String()) > 0 {
			return true
		}
	}
	return false
}

// heatCalled reports whether a heater or sensor has failed and somebody was called for it: a run may
// then wait for a bed that is shown hot, or for a board that waits by itself.
func (w *world) heatCalled() bool { return w.heatFailed() && w.called.Load() }

// forget adds up the uncertain travel before a request of the operator resets it.
func (w *world) forget(r Request) {
	if r.Visit != nil && r.Visit.Realigned || r.TrialBegin != nil {
		w.forgotMM += w.sup.Snapshot().Belt.UncertainMM
	}
}

// judgeTravel compares the belt's travel in the ledger with the board's: they differ by at most the
// uncertain travel.
func (w *world) judgeTravel() {
	b, err := w.ledger.Belt(context.Background())
	if err != nil {
		w.wrong("%v", err)
		return
	}
	doubt := b.UncertainMM + w.forgotMM
	if off := math.Abs(b.TravelMM - w.figures.CommandedMM); off > doubt+0.5 && w.acted == 0 {
		w.wrong("the ledger says that the belt has run %.2f mm, %.2f of them in doubt; the board has run %.2f", b.TravelMM, doubt, w.figures.CommandedMM)
	}
}

// wideJob writes a part of another shape: layers, arcs, inches, relative moves, firmware retraction, a
// belt that goes back and forth, and waits of its own.
func wideJob(rng *rand.Rand) string {
	var b strings.Builder
	line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	one := func(in int) bool { return rng.IntN(in) == 0 }
	line("; stake clip\nG21\nG90\nM82")
	bed := one(2)
	if bed {
		line("M140 S%d", 40+rng.IntN(30))
	}
	line("M104 S%d\nG28\nG92 E0", 190+rng.IntN(40))
	if bed && one(2) {
		line("M190 S45")
	}
	if one(2) {
		line("M109 S%d", 190+rng.IntN(20))
	}
	line("G1 X20 Y3 Z0.2 F6000")
	relative, e, z := one(3), 0.0, 0.2
	if relative {
		line("M83")
	}
	push := func(mm float64) string {
		if relative {
			return fmt.Sprintf("E%.4f", mm)
		}
		e += mm
		return fmt.Sprintf("E%.4f", e)
	}
	for layer := range 1 + rng.IntN(4) {
		if layer > 0 {
			z += 0.2
			line("G1 Z%.2f F600", z)
		}
		x, y := 10+30*rng.Float64(), 3+9*rng.Float64()
		line("G0 X%.3f Y%.3f F6000", x, y)
		for n := 4 + rng.IntN(12); n > 0; n-- {
			switch rng.IntN(10) {
			case 0:
				r := 1 + rng.Float64()
				line("G%d X%.3f Y%.3f I%.3f J0 %s", 2+rng.IntN(2), x+2*r, y, r, push(0.1))
				x += 2 * r
			case 1:
				line("G1 %s F1800\nG0 X%.3f F6000\nG1 %s F1800", push(-0.5), x, push(0.5))
			case 2:
				line("M106 S%d", rng.IntN(256))
			case 3:
				line("G91\nG1 X1 Y0.5\nG90\n%s", map[bool]string{true: "M83", false: "M82"}[relative])
				x, y = x+1, y+0.5
			default:
				x, y = min(60, max(0, x+4*rng.Float64()-2)), min(14, max(0, y+2*rng.Float64()-1))
				line("G1 X%.3f Y%.3f %s F1200", x, y, push(0.05))
			}
		}
	}
	line("G1 %s F1800", push(-1))
	if one(2) {
		line("M107")
	}
	line("M104 S0\nM140 S0\nM84")
	return b.String()
}

// widePool writes the further jobs that wide seeds draw from.
func widePool(t *testing.T, plans map[string]*job.Plan) []string {
	t.Helper()
	rng := rand.New(rand.NewPCG(2, 0x62777264))
	dir := t.TempDir()
	var names []string
	for n := range 24 {
		path := filepath.Join(dir, fmt.Sprintf("clip-%d.gcode", n))
		if err := os.WriteFile(path, []byte(wideJob(rng)), 0o600); err != nil {
			t.Fatal(err)
		}
		p, err := job.Inspect(context.Background(), path, testJobOptions(), nil)
		if err != nil {
			t.Fatal(err)
		}
		plans[path] = p
		names = append(names, path)
	}
	return names
}

// mortalLedger is the ledger as seen by a process that may be killed, and whose disk may fail.
type mortalLedger struct {
	*kept
	dead *atomic.Bool
}

// Commit implements Ledger.
func (m *mortalLedger) Commit(ctx context.Context, records ...ledger.Record) error {
	if m.dead.Load() {
		return errKilled
	}
	if m.fail.Load() > 0 {
		m.fail.Add(-1)
		return errors.New("the disk refuses a write")
	}
	return m.kept.Commit(ctx, records...)
}
