package supervisor

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// world is one seed being run: the simulated machine, the production code that runs it, and the
// operator.
type world struct {
	*scene
	plans  map[string]*job.Plan
	rig    *rig.Rig
	notes  *notes
	ledger *ledger.Ledger
	kept   *kept // the same, observed
	sup    *Supervisor
	cancel context.CancelFunc
	ended  chan error
	lots   []int64
	dead   *atomic.Bool // the process was killed

	rest     State   // where it came to rest in the end
	void     int     // parts given up before they laid anything
	hot      int     // runs that could not show the heaters to be off, and reported that
	slow     string  // it did not come to rest within the bound
	told     bool    // the snapshot reported that they may be on
	hotRest  string  // heaters that stayed on though it was at rest
	forgotMM float64 // travel that was uncertain before the belt was realigned
	// Errors unless damage explains them: actions at rest, and hot heaters reported as off.
	peace, cooledHot string
	// For resuming by itself: when the newest fault occurred, when it was announced, when anybody last
	// made a request, and each time.
	abortedAt, announcedAt time.Time
	saidAt                 atomic.Int64
	called                 atomic.Bool // somebody was called for heat
	gone                   []goneOn
	opens                  atomic.Int64 // times the port was opened
	problems               []string     // violations
	letIn                  int          // lines whose damage no checksum showed, and that differ from what was sent
	acted                  int          // those of them that may have made the board do something
	inPlace                int          // those of them that replaced the line that was sent
	figures                rig.Figures
}

const (
	// restBound is how long after the last fault or request of the operator a run may take to come to
	// rest. A part takes minutes; a wait for heat ends by itself in 20 minutes, a board that accepts
	// no line is given up after 40.
	restBound  = 2 * time.Hour
	stablePort = "by-id/greenhouse-belt"
)

func (w *world) wrong(format string, a ...any) {
	w.problems = append(w.problems, fmt.Sprintf(format, a...))
}

// play runs the seed from an empty ledger to the last end of the process.
func (w *world) play() {
	var err error
	if w.rig, err = rig.New(w.scene.rig); err != nil {
		w.wrong("%v", err)
		return
	}
	defer w.rig.Close()
	w.notes = &notes{begun: time.Now()}
	w.set.Port.Path = stablePort
	if w.ledger, err = ledger.Open("seed", ledger.Options{Memory: true}); err != nil {
		w.wrong("%v", err)
		return
	}
	defer w.ledger.Close()
	w.kept = &kept{Ledger: w.ledger, begun: w.notes.begun, cycles: map[int64]time.Duration{}, made: map[int64]time.Duration{}, watch: w.watch}
	if w.bed {
		w.heatedBed()
	}
	if slices.ContainsFunc(w.acts, func(a act) bool { return a.what == "job lost" }) {
		defer w.ownJob()()
	}
	if !w.start() {
		return
	}
	w.await()
	lot := &LotRequest{Order: w.order, Good: w.good, Start: true}
	for _, name := range w.jobs {
		lot.Plans = append(lot.Plans, w.plans[name])
	}
	res, err := w.sup.Do(context.Background(), Request{By: "seed", Lot: lot})
	if err != nil {
		w.wrong("lot refused: %v", err)
	}
	w.lots = []int64{res.LotID}
	for _, a := range w.acts {
		if a.when != "" {
			w.moment(a)
			w.act(a)
			continue
		}
		late := time.NewTimer(a.after)
		select {
		case <-w.notes.wake(a.lines):
		case <-late.C:
		}
		late.Stop()
		w.act(a)
	}
	w.rest = w.await()
	for range w.persist {
		if w.rest == Complete || !w.again() {
			break
		}
		w.rest = w.await()
	}
	w.rest = w.await() // a fault may have occurred while the machine was at rest
	w.judgeRest()
	w.stop()
	w.judge()
}

// start begins a process on the ledger as it is.
func (w *world) start() bool {
	ctx, cancel := context.WithCancel(context.Background())
	inspect := func(_ context.Context, path string) (*job.Plan, error) { return w.plans[path], nil }
	w.dead = &atomic.Bool{}
	l := &mortalLedger{w.kept, w.dead}
	m, err := NewMachine(ctx, w.set, l, inspect, fmt.Sprintf("seed %d, %d", w.seed, w.opens.Load()), time.Now())
	if err != nil {
		cancel()
		w.wrong("%v", err)
		return false
	}
	w.sup = New(m, l, w.opener(w.dead), zap.NewNop())
	w.sup.newConn = w.notes.speak
	w.cancel, w.ended = cancel, make(chan error, 1)
	go func() { w.ended <- w.sup.Run(ctx) }()
	return true
}

// opener returns what opens the port for a process whose end dead reports. It finds the device behind
// the stable name, which is another one each time the cable was out, as a kernel numbers them. A
// process that has ended may still use it when the next one begins.
func (w *world) opener(dead *atomic.Bool) func(context.Context, serialio.Settings) (serialio.Port, error) {
	return func(ctx context.Context, s serialio.Settings) (serialio.Port, error) {
		if s.Path != stablePort {
			return nil, fmt.Errorf("the run asks for %s", s.Path)
		}
		if dead.Load() {
			return nil, errKilled
		}
		p, err := w.open(ctx, s)
		if err != nil {
			return nil, err
		}
		return &mortal{p, dead}, nil
	}
}

// open opens the port for a process that nothing kills.
func (w *world) open(ctx context.Context, s serialio.Settings) (serialio.Port, error) {
	s.Path = fmt.Sprintf("device %d", w.opens.Add(1))
	return w.rig.Open(ctx, s)
}

// stop ends the process in the orderly way.
func (w *world) stop() {
	w.cancel()
	switch err := <-w.ended; {
	case errors.Is(err, ErrHot):
		w.hot++ // it reports that, as it should
	case err != nil:
		w.wrong("run ended: %v", err)
	}
}

// await waits until the machine is at rest, and returns where.
func (w *world) await() State {
	begun, patience := time.Now(), 10*time.Minute
	for pause := 100 * time.Millisecond; ; pause = min(2*pause, 20*time.Second) {
		s := w.sup.Snapshot()
		if !s.State.Acting() {
			return s.State
		}
		took := time.Since(begun)
		if (s.State == Resetting || s.State == Clearing) && took > patience {
			w.rig.Reset() // the button: a board that has halted needs it
			patience = took + 15*time.Minute
		}
		if took > restBound && w.slow == "" {
			w.slow = fmt.Sprintf("still %s after %v: %s; %s; link %q", s.State, restBound, s.Cause.Text, s.Doing, s.Line.Problem)
		}
		if took > 4*restBound {
			if !w.heatCalled() {
				w.wrong("and still %s after %v: %s; %s; link %q", s.State, took, s.Cause.Text, s.Doing, s.Line.Problem)
			}
			return s.State
		}
		time.Sleep(pause)
	}
}

// act carries out what a person does. The run is free to refuse a request.
func (w *world) act(a act) {
	if w.actWide(a) || w.actPair(a) {
		return
	}
	do := func(r Request) { w.say(r) }
	switch a.what {
	case "hold":
		do(Request{Command: Hold})
	case "suspend":
		do(Request{Command: Suspend})
	case "complete":
		do(Request{Command: CompleteLot})
	case "stop":
		do(Request{Command: Stop})
	case "stop after part":
		do(Request{Command: Stop, AfterPart: true})
	case "stop and clear":
		do(Request{Command: Stop, ClearBelt: true})
	case "abort":
		do(Request{Command: Abort})
	case "check":
		far := 0.5
		do(Request{Visit: &Visit{OffsetMM: &far}})
	case "restart":
		w.stop()
		if !w.start() {
			w.ended <- nil
		}
	case "button":
		w.rig.Reset()
	case "unplug":
		if err := w.rig.Inject(rig.Fault{Kind: rig.Unplug, For: a.for_, Restart: a.cold}); err != nil {
			w.wrong("%v", err)
		}
	default:
		w.wrong("no such act: %s", a.what)
	}
}

// again is the operator restarting a machine at rest. It returns false if there is nothing to do.
func (w *world) again() bool {
	do, look := w.say, w.look
	time.Sleep(time.Duration(w.rng.IntN(1800)) * time.Second) // hot, warm or cold
	look()
	switch w.sup.Snapshot().State {
	case Held:
		return do(Request{Command: Unhold, Override: "seed"})
	case Suspended:
		return do(Request{Command: Unsuspend})
	case Aborted:
		if !do(Request{Command: Clear}) && w.seed >= pairFrom { // a heat fault is latched; the text about the repair need not be true
			do(Request{Command: Clear, Repair: "the sensor was put back"})
		}
		if w.await() != Stopped {
			return true
		}
		fallthrough
	case Stopped:
		do(Request{Command: Reset})
		if w.await() != Idle {
			return true
		}
		fallthrough
	case Idle:
		look()
		return do(Request{Command: Start, Override: "seed"})
	}
	return false
}
