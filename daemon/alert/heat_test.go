package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// heatFaults are what a run of the campaign may meet. A cable and a board that go are known at
// once; of the others the machine learns when readings show it.
var heatFaults = []rig.FaultKind{rig.StuckSensor, rig.BrokenSensor, rig.ShortSensor, rig.DriftSensor, rig.LooseSensor,
	rig.MissingSensor, rig.NanSensor, rig.FloorSensor, rig.TopSensor, rig.OldReadings, rig.IgnoreOff,
	rig.FullHeat, rig.NoHeat, rig.WeakHeat, rig.SwappedSensors, rig.NoMains, rig.NoReports, rig.FrozenAnswers, rig.Unplug, rig.Reset, rig.HeaterFault}

// known says whether the machine learns of a fault when it happens.
func known(k rig.FaultKind) bool { return k == rig.Unplug || k == rig.Reset || k == rig.HeaterFault }

// heatRun is one run of the campaign.
type heatRun struct {
	seed     uint64
	rng      *rand.Rand
	plan     *job.Plan
	fault    rig.Fault
	second   *rig.Fault    // that comes with it; nil: none
	between  time.Duration // the two
	early    bool          // it is there before the lot begins
	pushes   bool          // the board pushes cold filament
	rig      *rig.Rig
	ledger   *ledger.Ledger
	p        *process
	starts   int
	restarts int
	kills    int

	mu       sync.Mutex
	struck   time.Time     // when the fault happened
	asked    time.Time     // when its heater was first driven with it: before that no reading can show it
	restart  time.Time     // when a process ended before anything was found, and the heat with it
	found    time.Time     // when the run first recorded that something is wrong
	called   time.Time     // when the receiver took the first call after that
	caller   time.Time     // when the process began that called
	calledBy string        // its kind
	off      []string      // heaters that are on and were called off, in whose words
	claims   int           // times that heaters were called off
	shownAt  time.Time     // when they last were, and truly were off, by a claim that stands
	wereOff  bool          // all heaters, when last looked at
	onSince  time.Time     // since when one of them is on after all were off, as the simulated machine knows; zero: none is, or it is not known
	late     time.Duration // the longest that such a claim stood after one of them came on by a fault
	warm     bool          // a body was called cold above 60 °C
	problems []string
}

// process is one life of the daemon's part that this is about: run, outbox and receiver.
type process struct {
	run    *heatRun
	dead   atomic.Bool
	sup    *supervisor.Supervisor
	cancel context.CancelFunc
	silent context.CancelFunc // ends its calls
	began  time.Time
	ended  chan error
	calls  chan struct{}
	mu     sync.Mutex
	ports  []serialio.Port
}

var errKilled = errors.New("the process is gone")

// heatLedger is the ledger as one process sees it, and who listens to what it is given.
type heatLedger struct {
	*ledger.Ledger
	p *process
}

// Commit implements supervisor.Ledger.
func (l heatLedger) Commit(ctx context.Context, records ...ledger.Record) error {
	if l.p.dead.Load() {
		return errKilled
	}
	for _, r := range records {
		switch r := r.(type) {
		case ledger.AlertQueued:
			l.p.run.judge("alert", r.Alert.Kind+" "+r.Alert.Text)
			l.p.run.trouble(r.Alert.Kind)
		case ledger.EventNoted:
			l.p.run.judge("event", r.Text)
			if os.Getenv("BELTWARDEN_HEAT_ALL") != "" {
				fmt.Println(l.p.run.seed, time.Since(l.p.began), r.Kind, r.Text)
			}
			if r.Kind == "fault" || r.Kind == "heat_doubt" {
				l.p.run.trouble(supervisor.CauseHeat)
			}
		}
	}
	return l.Ledger.Commit(ctx, records...)
}

// mortal is a port of a process that may be killed.
type mortal struct {
	serialio.Port
	p *process
}

func (m mortal) Write(b []byte) (int, error) {
	if m.p.dead.Load() {
		return 0, errKilled
	}
	return m.Port.Write(b)
}

func (p *process) open(ctx context.Context, s serialio.Settings) (serialio.Port, error) {
	if p.dead.Load() {
		return nil, errKilled
	}
	port, err := p.run.rig.Open(ctx, s)
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ports = append(p.ports, port)
	return mortal{port, p}, nil
}

// RoundTrip is the receiver.
func (p *process) RoundTrip(r *http.Request) (*http.Response, error) {
	if p.dead.Load() {
		return nil, errKilled
	}
	id := r.Header.Get(AlertIDHeader)
	x := p.run
	x.mu.Lock()
	defer x.mu.Unlock()
	if !x.found.IsZero() && x.called.IsZero() {
		x.called, x.caller, x.calledBy = time.Now(), p.began, id
	}
	var m struct{ Subject, Text string }
	if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
		x.wrong("message %s: %v", id, err)
	}
	if strings.Contains(m.Text, "cut the mains") && !strings.HasPrefix(m.Subject, cutMains) {
		x.wrong("message %s says to cut the mains, and its subject is %q", id, m.Subject)
	}
	return &http.Response{StatusCode: http.StatusNoContent, Body: http.NoBody, Request: r}, nil
}

// calledOff are the words that say of heaters that they are off, or cold.
var (
	calledOff  = regexp.MustCompile(`heaters are (shown to be )?off|^shown to be off|^heat_off `)
	calledCold = regexp.MustCompile(`(nozzle|bed) cold at`)
)

// backWithin is by when a heater that came on by itself, after it was shown to be off, must not be called off any more.
const backWithin = 2 * time.Minute

// blindFor is how long a heater may be on, on a body that was falling, before any reading of it can turn: what
// warms it must first make up for what it loses.
const blindFor = 30 * time.Second

// cameOn notes when a heater comes on after all were off.
func (x *heatRun) cameOn() {
	_, nozzleC, _, bedC := x.rig.Temperatures()
	nozzleW, bedW := x.rig.PowersW()
	x.mu.Lock()
	defer x.mu.Unlock()
	switch on := nozzleW > 0 || bedW > 0 || nozzleC > 0 || bedC > 0; {
	case !on:
		x.wereOff, x.onSince = true, time.Time{}
	case x.wereOff:
		x.wereOff, x.onSince = false, time.Now()
	}
}

// judge holds what is said against the simulated machine's own truth.
func (x *heatRun) judge(where, text string) {
	off, cold := calledOff.MatchString(text), calledCold.FindAllStringSubmatch(text, -1)
	if !off && cold == nil {
		return
	}
	nozzleC, nozzleTargetC, bedC, bedTargetC := x.rig.Temperatures()
	nozzleW, bedW := x.rig.PowersW()
	x.mu.Lock()
	defer x.mu.Unlock()
	x.claims++
	on := nozzleW > 0 || bedW > 0 || nozzleTargetC > 0 || bedTargetC > 0
	wrong := off && on
	switch {
	case off && !on:
		x.shownAt = time.Now()
	case wrong && !x.onSince.IsZero() && time.Since(x.onSince) <= blindFor:
		// It came on while it was being shown off.
		x.late, x.shownAt, wrong, cold = max(x.late, time.Since(x.onSince)), x.onSince, false, nil
	case wrong && where == "snapshot" && !x.shownAt.IsZero() && time.Since(x.shownAt) <= backWithin:
		// It came on after it was shown off: no reading can tell before the body is warmer.
		x.late, wrong = max(x.late, time.Since(x.shownAt)), false
	}
	for _, c := range cold {
		wrong = wrong || c[1] == "nozzle" && (nozzleW > 0 || nozzleTargetC > 0) || c[1] == "bed" && (bedW > 0 || bedTargetC > 0)
		if c[1] == "nozzle" && nozzleC > 60 || c[1] == "bed" && bedC > 60 {
			x.warm = true
		}
	}
	if wrong && len(x.off) < 5 {
		x.off = append(x.off, fmt.Sprintf("%s %q with the nozzle at %.0f °C, target %.0f, %.1f W, and the bed at %.0f °C, target %.0f, %.1f W",
			where, text, nozzleC, nozzleTargetC, nozzleW, bedC, bedTargetC, bedW))
	}
}

// trouble notes when the run has found the fault.
func (x *heatRun) trouble(kind string) {
	switch kind {
	case supervisor.CauseHeat, supervisor.CauseHeatUnusual, supervisor.CauseLink, supervisor.CauseBoard, supervisor.CauseRestart, supervisor.CauseLedger:
	default:
		return
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if kind == supervisor.CauseRestart && !known(x.fault.Kind) {
		return // a process that comes back switches off and says so: that is no finding
	}
	if !x.struck.IsZero() && x.found.IsZero() {
		x.found = time.Now()
	}
}

func heatSettings() supervisor.Settings {
	return supervisor.Settings{
		Machine: "clip press", Port: serialio.Settings{Path: "rig", BaudRate: 250000}, Conn: serialio.Options{BootWait: time.Second},
		BeltAxis: gcode.Y, LiftAxis: gcode.Z, Forward: 1, TravelLimitMM: 100, LoopMM: 1200, ToDropMM: 220, OffsetLimitMM: 3,
		ReleaseC: 35, ReleaseLimit: time.Hour, NozzleStandbyC: 150, LiftMM: 20, AdvanceFeed: 1200, TravelFeed: 6000, LiftFeed: 600,
		RetractMM: 1, RetractFeed: 1800, GapMM: 10, ClearAtEnd: true, MotorsStayOn: true,
		HeatersOffAfter: 15 * time.Minute, ReheatLimit: 20 * time.Minute, PrimeMM: 2,
		NozzleWatch: heat.NozzleLimits(260, heat.OverC), BedWatch: heat.BedLimits(100, heat.OverC),
	}
}

func (x *heatRun) wrong(format string, a ...any) {
	x.problems = append(x.problems, fmt.Sprintf(format, a...))
}

// start begins a process on the ledger as it is.
func (x *heatRun) start() bool {
	ctx, cancel := context.WithCancel(context.Background())
	calling, silent := context.WithCancel(context.Background())
	p := &process{run: x, cancel: cancel, silent: silent, began: time.Now(), ended: make(chan error, 1), calls: make(chan struct{})}
	l := heatLedger{x.ledger, p}
	x.starts++
	name := fmt.Sprintf("heat-%d-%d", x.seed, x.starts)
	m, err := supervisor.NewMachine(ctx, heatSettings(), l, func(context.Context, string) (*job.Plan, error) { return x.plan, nil }, name, time.Now())
	if err != nil {
		cancel()
		silent()
		x.wrong("%v", err)
		return false
	}
	p.sup = supervisor.New(m, l, p.open, zap.NewNop())
	hook, err := NewWebhook(WebhookOptions{Name: "phone", URL: "http://phone.example/"})
	if err != nil {
		cancel()
		silent()
		x.wrong("%v", err)
		return false
	}
	hook.client.Transport = p
	board := NewSwitchboard(SwitchboardOptions{Outbox: l, Receivers: []Receiver{{hook, 1}}, Words: Writer{Machine: "clip press"},
		Retry: Retry{First: time.Second, Limit: time.Minute}, Snapshot: p.sup.Snapshot, StartID: name, Log: zap.NewNop()})
	go func() { p.ended <- p.sup.Run(ctx) }()
	go func() { defer close(p.calls); board.Run(calling) }()
	x.p = p
	return true
}

// end ends a process: killed, nothing of it reaches wire, ledger or receiver from here on.
func (x *heatRun) end(kill bool) {
	p := x.p
	x.mu.Lock()
	// A board that resets as the daemon ends in order has nothing to add to that.
	unknown := !known(x.fault.Kind) || x.fault.Kind == rig.Reset && !kill
	if !x.struck.IsZero() && x.found.IsZero() && unknown && time.Since(x.struck) < watchFor {
		x.restart = time.Now()
	}
	x.mu.Unlock()
	if kill {
		p.dead.Store(true)
		p.mu.Lock()
		for _, port := range p.ports {
			_ = port.Close()
		}
		p.mu.Unlock()
	}
	p.cancel()
	if err := <-p.ended; err != nil && !kill && !errors.Is(err, supervisor.ErrHot) {
		x.wrong("run ended: %v", err)
	}
	p.silent() // as in the daemon, calls go out for as long as the run makes the machine safe
	<-p.calls
}

// watch lets time pass and reads the snapshot all the while.
func (x *heatRun) watch(d time.Duration) {
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(500 * time.Millisecond) {
		x.cameOn()
		h := x.p.sup.Snapshot().Heat
		if h.Proved || strings.HasPrefix(h.Proof, "shown") {
			x.judge("snapshot", "shown to be off: "+h.Proof)
		} else {
			x.mu.Lock()
			x.shownAt = time.Time{}
			x.mu.Unlock()
		}
		x.drives()
	}
}

// drives notes when the faulty heater is first driven.
func (x *heatRun) drives() {
	x.mu.Lock()
	struck, asked := x.struck, x.asked
	x.mu.Unlock()
	if struck.IsZero() || !asked.IsZero() {
		return
	}
	_, nozzleC, _, bedC := x.rig.Temperatures()
	if x.fault.Kind == rig.IgnoreOff { // it shows when the heater is to be off
		switch x.p.sup.Snapshot().State {
		case supervisor.Stopped, supervisor.Complete, supervisor.Aborted:
		default:
			return
		}
	}
	either := x.fault.Kind >= rig.SwappedSensors && bedC > 0
	if known(x.fault.Kind) || x.fault.Kind == rig.FullHeat || either || x.fault.Bed && bedC > 0 || !x.fault.Bed && nozzleC > 0 {
		x.mu.Lock()
		x.asked = time.Now()
		x.mu.Unlock()
	}
}

// watchFor is how long a run goes on after its fault.
const watchFor = 25 * time.Minute

// play runs the seed: a lot, a fault in it, and lives and deaths of the process around it.
func (x *heatRun) play() {
	var err error
	rs := rig.DefaultSettings()
	rs.Belt.Axis, rs.Seed, rs.ReadTimeout = 'Y', x.seed, time.Minute
	if x.pushes {
		rs.Machine.MinExtrudeC = 0
	}
	if x.rig, err = rig.New(rs); err != nil {
		x.wrong("%v", err)
		return
	}
	defer x.rig.Close()
	if x.ledger, err = ledger.Open("heat", ledger.Options{Memory: true}); err != nil {
		x.wrong("%v", err)
		return
	}
	defer x.ledger.Close()
	if !x.start() {
		return
	}
	defer func() { x.end(false) }()
	x.watch(20 * time.Second)
	if x.early && !x.strike() {
		return
	}
	if _, err := x.p.sup.Do(context.Background(), supervisor.Request{By: "seed", Lot: &supervisor.LotRequest{
		Order: ledger.OrderBlocks, Good: []int{3}, Plans: []*job.Plan{x.plan}, Start: true}}); err != nil {
		x.wrong("lot refused: %v", err)
		return
	}
	x.watch(time.Duration(20+x.rng.IntN(600)) * time.Second)
	if s := x.p.sup.Snapshot(); s.State == supervisor.Aborted && !x.early {
		x.wrong("the machine has aborted before any fault: %s", s.Cause.Text)
		return
	}
	if !x.early && !x.strike() {
		return
	}
	left := watchFor
	if x.second != nil {
		x.watch(x.between)
		if err := x.rig.Inject(*x.second); err != nil {
			x.wrong("%v", err)
			return
		}
		left -= x.between
	}
	for range x.rng.IntN(3) {
		// Half of them soon, where they can fall between the fault and the call.
		d := time.Duration(x.rng.IntN(6000)) * time.Millisecond
		if x.rng.IntN(2) == 0 {
			d = time.Duration(x.rng.IntN(400)) * time.Second
		}
		x.watch(d)
		kill := x.rng.IntN(2) == 0
		if kill {
			x.kills++
		} else {
			x.restarts++
		}
		x.end(kill)
		time.Sleep(time.Duration(1+x.rng.IntN(30)) * time.Second)
		if !x.start() {
			return
		}
		left -= d
	}
	x.watch(left)
	x.counted()
}

// strike makes the fault happen.
func (x *heatRun) strike() bool {
	x.mu.Lock()
	x.struck = time.Now()
	x.mu.Unlock()
	if err := x.rig.Inject(x.fault); err != nil {
		x.wrong("%v", err)
		return false
	}
	x.drives()
	return true
}

// partMM is the filament of a whole part.
const partMM = 60

// counted holds the count of parts made against what was laid.
func (x *heatRun) counted() {
	whole := 0
	for _, p := range x.rig.Parts() {
		if p.FilamentMM > partMM-1.5 { // 1 mm is drawn back, and each line lays 2
			whole++
		}
	}
	if s := x.p.sup.Snapshot(); s.Lot != nil && s.Lot.Made > whole {
		x.wrong("%d parts are counted as made, and %d were laid", s.Lot.Made, whole)
	}
}

func drawHeat(seed uint64, plan *job.Plan) *heatRun {
	rng := rand.New(rand.NewPCG(seed, 0x68656174))
	x := &heatRun{seed: seed, rng: rng, plan: plan}
	x.fault = drawFault(rng)
	x.early = (x.fault.Kind == rig.SwappedSensors || x.fault.Kind == rig.NoMains && x.fault.For == 0) && rng.IntN(2) == 0
	if rng.IntN(3) == 0 {
		second := drawFault(rng)
		for second.Bed == x.fault.Bed && (second.Kind == rig.WeakHeat && x.fault.Kind == rig.FullHeat || second.Kind == rig.FullHeat && x.fault.Kind == rig.WeakHeat) {
			second = drawFault(rng) // what is on for good at a third of its power cools from its target as one that is off: see docs/faults.md
		}
		x.second, x.between = &second, time.Duration(rng.IntN(180))*time.Second
	}
	x.pushes = rng.IntN(4) == 0
	return x
}

func drawFault(rng *rand.Rand) (f rig.Fault) {
	f.Kind = heatFaults[rng.IntN(len(heatFaults))]
	bed := rng.IntN(2) == 0
	switch {
	case f.Kind == rig.NoMains: // a shorter loss leaves too little to be seen: see docs/faults.md
		if bed {
			f.For = time.Duration(20+rng.IntN(300)) * time.Second
		}
	case f.Kind >= rig.NoHeat && f.Kind <= rig.OldReadings:
		f.Bed = bed
	case f.Kind == rig.Unplug:
		f.Restart = bed
		if rng.IntN(2) == 0 {
			f.For = time.Duration(1+rng.IntN(300)) * time.Second
		}
	}
	return f
}

// faults names what went wrong.
func (x *heatRun) faults() string {
	if x.second == nil {
		return x.fault.String()
	}
	return fmt.Sprintf("%s, and %s %v later", x.fault, x.second, x.between)
}

// heatText is a part of some four minutes, hot all the while.
const heatText = "G21\nG90\nM83\nM140 S60\nM104 S205\nG28 X Z\nG92 Y0\nM190 S60\nM109 S205\nG1 X10 Y2 Z0.3 F3000\n;beltwarden body begin\n"

// heatSum is what the campaign came to.
type heatSum struct {
	mu              sync.Mutex
	runs            int
	restarts, kills int
	claims          int
	late            time.Duration
	faults, unfound map[string]int
	ended, idle     map[string]int             // ended by a restart before it was found; never driven
	call            []time.Duration            // from finding, or from a start after it, to the receiver
	whole           map[string][]time.Duration // from the fault itself
	off, warm       []uint64
}

func (s *heatSum) add(x *heatRun) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.runs++
	s.restarts += x.restarts
	s.kills += x.kills
	s.claims += x.claims
	s.late = max(s.late, x.late)
	name := x.fault.Kind.String()
	if x.second != nil {
		name = "two faults"
	}
	s.faults[name]++
	if len(x.off) > 0 {
		s.off = append(s.off, x.seed)
	}
	if x.warm {
		s.warm = append(s.warm, x.seed)
	}
	switch {
	case !x.restart.IsZero():
		s.ended[name]++
	case x.asked.IsZero() && x.found.IsZero():
		s.idle[name]++
	case x.found.IsZero():
		s.unfound[name]++
	case !x.called.IsZero():
		from := x.struck
		if x.asked.After(from) && x.asked.Before(x.called) {
			from = x.asked
		}
		s.whole[name] = append(s.whole[name], x.called.Sub(from))
	}
	if !x.found.IsZero() && !x.called.IsZero() {
		s.call = append(s.call, x.called.Sub(x.from()))
	}
}

// from is when the call could have begun: when the fault was found, for a cable or board that
// went when it did, and not before there was a process.
func (x *heatRun) from() time.Time {
	from := x.found
	if known(x.fault.Kind) && x.second == nil {
		from = x.struck
	}
	if x.caller.After(from) {
		from = x.caller
	}
	return from
}

func of(list []time.Duration, share float64) time.Duration {
	if len(list) == 0 {
		return 0
	}
	slices.Sort(list)
	return list[min(len(list)-1, int(share*float64(len(list))))]
}

// TestHeat plays every heat fault against run, ledger, outbox and sender, under virtual time:
// no heater that is on is ever called off, and somebody is called within seconds of finding it.
// BELTWARDEN_HEAT is how many runs, BELTWARDEN_HEAT_SEED the first.
func TestHeat(t *testing.T) {
	number := func(name string, other uint64) uint64 {
		n, err := strconv.ParseUint(os.Getenv(name), 10, 64)
		if os.Getenv(name) == "" {
			return other
		} else if err != nil {
			t.Fatalf("%s is not a whole number", name)
		}
		return n
	}
	usual := uint64(110)
	if underRace || testing.Short() {
		usual = 20
	}
	first, count := number("BELTWARDEN_HEAT_SEED", 1), number("BELTWARDEN_HEAT", usual)
	var text strings.Builder
	text.WriteString(heatText)
	for n := range 30 {
		fmt.Fprintf(&text, "G1 X%d Y%d E2 F900\nG4 S7\n", 20+n%2*30, 2+n%3*5)
	}
	text.WriteString(";beltwarden body end\nM104 S0\nM140 S0\n")
	path := filepath.Join(t.TempDir(), "peg.gcode")
	if err := os.WriteFile(path, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	plan, err := job.Inspect(t.Context(), path, job.Options{BeltAxis: gcode.Y, Forward: 1, HomedAxes: []gcode.Axis{gcode.X, gcode.Z},
		GapMM: 10, NozzleCeilingC: 260, BedCeilingC: 100}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer debug.SetGCPercent(debug.SetGCPercent(400))
	sum := &heatSum{faults: map[string]int{}, unfound: map[string]int{}, ended: map[string]int{}, idle: map[string]int{}, whole: map[string][]time.Duration{}}
	begun := time.Now()
	var next atomic.Uint64
	t.Run("all", func(t *testing.T) {
		for n := range runtime.GOMAXPROCS(0) {
			t.Run(strconv.Itoa(n), func(t *testing.T) {
				t.Parallel()
				for {
					seed := first + next.Add(1) - 1
					if seed >= first+count {
						return
					}
					x := drawHeat(seed, plan)
					synctest.Test(t, func(*testing.T) { x.play() })
					if len(x.off)+len(x.problems) > 0 {
						t.Errorf("seed %d, %s, %d restarts, %d kills: %s\nreplay: BELTWARDEN_HEAT_SEED=%d BELTWARDEN_HEAT=1 go test ./daemon/alert -count=1 -run 'TestHeat$' -v",
							seed, x.faults(), x.restarts, x.kills, strings.Join(append(x.problems, x.off...), "\n\t"), seed)
					}
					if os.Getenv("BELTWARDEN_HEAT_ALL") != "" {
						t.Logf("seed %d %s driven after %v, found after %v, called after %v (%v) by %s", seed, x.faults(), x.asked.Sub(x.struck), x.found.Sub(x.struck), x.called.Sub(x.struck), x.called.Sub(x.from()), x.calledBy)
					}
					sum.add(x)
				}
			})
		}
	})
	t.Logf("runs %d, faults %v, restarts %d, kills %d", sum.runs, sum.faults, sum.restarts, sum.kills)
	t.Logf("heaters were called off %d times, of them while one was on in %d runs; a body above 60 °C whose heater was off was called cold in %d runs %v",
		sum.claims, len(sum.off), len(sum.warm), sum.warm[:min(8, len(sum.warm))])
	t.Logf("a heater that came on by itself after it was shown to be off was still called off for %v at most", sum.late)
	t.Logf("from finding (cable and board: from the loss; after a death in between: from the next start) to the receiver: p50 %v, p99 %v, max %v of %d", of(sum.call, 0.5), of(sum.call, 0.99), of(sum.call, 1), len(sum.call))
	names := []string{"two faults"}
	for _, k := range heatFaults {
		names = append(names, k.String())
	}
	for _, k := range names {
		list := sum.whole[k]
		t.Logf("from the fault, or from when its heater is driven with it, to the receiver, %-15s p50 %10v  p99 %10v  max %10v of %d; not found within 25 min in %d; a restart came before in %d; not driven with it in %d", k+":",
			of(list, 0.5).Round(time.Millisecond), of(list, 0.99).Round(time.Millisecond), of(list, 1).Round(time.Millisecond), len(list), sum.unfound[k], sum.ended[k], sum.idle[k])
	}
	t.Logf("wall time %v", time.Since(begun).Round(time.Second))
	if p99 := of(sum.call, 0.99); p99 > 5*time.Second {
		t.Errorf("the call takes %v", p99)
	}
}
