package supervisor

import (
	"context"
	"errors"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// The race detector makes a run five times slower, and it looks at the goroutines around the machine,
// which are the same in each run. So it runs a few cases of a long table, different ones each time,
// and skips hours of one machine and whatever runs in one goroutine. The check runs all of it without
// the detector. Short tests have the same cases.

func brief() bool { return underRace || testing.Short() }

// few returns the cases of a table, and in brief n of them.
func few[T any](n int, cases []T) []T {
	if !brief() || n >= len(cases) {
		return cases
	}
	cases = slices.Clone(cases)
	rand.Shuffle(len(cases), func(i, k int) { cases[i], cases[k] = cases[k], cases[i] })
	return cases[:n]
}

// turns returns the first of many places to play, and the step to the next: in brief every thirteenth.
func turns() (first, step int) {
	if brief() {
		return 1 + rand.IntN(13), 13
	}
	return 1, 1
}

// oneMachine skips, under the race detector, a test of one machine in a bubble like many others.
func oneMachine(t *testing.T) {
	t.Helper()
	if underRace {
		t.Skip("played without the race detector: .ci/plain")
	}
}

// withoutRace skips a test in brief.
func withoutRace(t *testing.T) {
	t.Helper()
	if brief() {
		t.Skip("played without the race detector: .ci/plain")
	}
}

// run is a whole machine in one test: the production supervisor, connection and ledger against the
// simulated board. In a synctest bubble virtual hours take no time.
type run struct {
	t      *testing.T
	rig    *rig.Rig
	ledger *ledger.Ledger
	path   string // of the ledger
	set    Settings
	opts   job.Options
	s      *Supervisor
	cancel context.CancelFunc
	ended  chan error
	starts int
	hot    bool // the injected fault may leave a heater that cannot be shown to be off
}

// clipJob is the scenario's part, from the project's own jobs.
const clipJob = "../testdata/jobs/stake-clip.gcode"

func testSettings() Settings {
	return Settings{
		Machine: "greenhouse-belt", Port: serialio.Settings{Path: "rig", BaudRate: 250000},
		Conn:     serialio.Options{BootWait: time.Second},
		BeltAxis: gcode.Y, LiftAxis: gcode.Z, Forward: 1, TravelLimitMM: 100,
		LoopMM: 1200, ToDropMM: 220, OffsetLimitMM: 3, WorstDriftMMPerM: 0,
		ReleaseC: 35, ReleaseLimit: time.Hour, NozzleStandbyC: 150, LiftMM: 20, AdvanceFeed: 1200,
		TravelFeed: 6000, LiftFeed: 600, RetractMM: 1, RetractFeed: 1800, GapMM: 10,
		ClearAtEnd: true, MotorsStayOn: true, HeatersOffAfter: 15 * time.Minute, ReheatLimit: 20 * time.Minute, PrimeMM: 2,
	}
}

func testJobOptions() job.Options {
	return job.Options{BeltAxis: gcode.Y, Forward: 1, HomedAxes: []gcode.Axis{gcode.X, gcode.Z}, GapMM: 10,
		NozzleCeilingC: 260, BedCeilingC: 100}
}

func testRig() rig.Settings {
	s := rig.DefaultSettings()
	s.Belt.Axis = 'Y'
	return s
}

// newRun makes a machine and restores its ledger; start runs it.
func newRun(t *testing.T, rs rig.Settings, set Settings) *run {
	t.Helper()
	r, err := rig.New(rs)
	if err != nil {
		t.Fatal(err)
	}
	x := &run{t: t, rig: r, set: set, opts: testJobOptions(), path: filepath.Join(t.TempDir(), "ledger.db")}
	t.Cleanup(func() { // also after a failed test
		x.stop()
		r.Close()
	})
	return x
}

func (x *run) start() {
	x.t.Helper()
	x.cancel, x.ended = x.startOn(func(l Ledger) Ledger { return l })
}

// startOn runs the machine on a wrapped ledger. It returns what ends the run, and the channel of its
// end.
func (x *run) startOn(through func(Ledger) Ledger) (context.CancelFunc, chan error) {
	x.t.Helper()
	var err error
	if x.ledger, err = ledger.Open(x.path, ledger.Options{Now: x.set.Now}); err != nil {
		x.t.Fatal(err)
	}
	l := through(x.ledger)
	ctx, cancel := context.WithCancel(context.Background())
	x.starts++
	now := time.Now
	if x.set.Now != nil {
		now = x.set.Now
	}
	m, err := NewMachine(ctx, x.set, l, x.inspect, "test"+strconv.Itoa(x.starts), now())
	if err != nil {
		x.t.Fatal(err)
	}
	x.s = New(m, l, x.rig.Open, zap.NewNop())
	ended := make(chan error, 1)
	go func() { ended <- x.s.Run(ctx) }()
	return cancel, ended
}

// stop ends the process in an orderly way and checks the ledger that it leaves.
func (x *run) stop() {
	if x.cancel == nil {
		return
	}
	x.cancel()
	x.cancel = nil
	if err := <-x.ended; err != nil && !(x.hot && errors.Is(err, ErrHot)) {
		x.t.Errorf("run ended: %v", err)
	}
	problems, err := x.ledger.Check(context.Background())
	if err != nil || len(problems) > 0 {
		x.t.Errorf("ledger: %v %v", problems, err)
	}
	x.ledger.Close()
}

func (x *run) inspect(ctx context.Context, path string) (*job.Plan, error) {
	return job.Inspect(ctx, path, x.opts, nil)
}

func (x *run) plan(path string) *job.Plan {
	x.t.Helper()
	p, err := x.inspect(context.Background(), path)
	if err != nil {
		x.t.Fatal(err)
	}
	return p
}

// do carries out a request that must be accepted.
func (x *run) do(r Request) Result {
	x.t.Helper()
	res, err := x.s.Do(context.Background(), r)
	if err != nil {
		x.t.Fatalf("request refused: %v", err)
	}
	return res
}

// refuse carries out a request that must be refused.
func (x *run) refuse(r Request) error {
	x.t.Helper()
	res, err := x.s.Do(context.Background(), r)
	if err == nil {
		x.t.Fatalf("request was accepted: %+v", res)
	}
	return err
}

// until waits for a state, in machine time.
func (x *run) until(want State, within time.Duration) *Snapshot {
	x.t.Helper()
	end := time.Now().Add(within)
	for time.Now().Before(end) {
		if s := x.s.Snapshot(); s.State == want {
			return s
		}
		time.Sleep(200 * time.Millisecond)
	}
	s := x.s.Snapshot()
	x.t.Fatalf("state is %s (%s; %s; link %q), want %s within %s", s.State, s.Cause.Text, s.Doing, s.Line.Problem, want, within)
	return nil
}

// untilDoing waits until the present step of the work begins with this text.
func (x *run) untilDoing(words string) {
	x.t.Helper()
	for end := time.Now().Add(10 * time.Hour); !strings.HasPrefix(x.s.Snapshot().Doing, words); time.Sleep(time.Second) {
		if s := x.s.Snapshot(); time.Now().After(end) {
			x.t.Fatalf("%s, %s: it does not come to %q", s.State, s.Doing, words)
		}
	}
}

func (x *run) counts(lot int64) ledger.Counts {
	x.t.Helper()
	c, err := x.ledger.Counts(context.Background(), lot)
	if err != nil {
		x.t.Fatal(err)
	}
	return c
}

// inBubble runs a test under virtual time.
func inBubble(t *testing.T, f func(t *testing.T)) {
	t.Helper()
	synctest.Test(t, f)
}

// newTestMachine returns a machine without a run or a board, before Begin, and its time.
func newTestMachine(t *testing.T) (*Machine, time.Time) {
	t.Helper()
	l, err := ledger.Open(t.Name(), ledger.Options{Memory: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	m, err := NewMachine(context.Background(), testSettings(), l, nil, "test", now)
	if err != nil {
		t.Fatal(err)
	}
	return m, now
}

// linkedMachine is one that has begun and whose link has come up.
func linkedMachine(t *testing.T) (*Machine, time.Time) {
	t.Helper()
	m, now := newTestMachine(t)
	m.Begin(now)
	m.Step(now, LinkSynced{LastNumber: 0})
	return m, now
}
