package app

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/alert"
	"beltwarden/daemon/backup"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/wall"
)

// The right time at the beginning of a scene, which lasts long enough for some backups.
var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

const (
	sceneFor    = 14 * time.Hour
	backupEvery = 3 * time.Hour
	year        = 365 * 24 * time.Hour
)

// wrongBy are the faults of a clock: set by years, by an hour, or not set at boot.
var wrongBy = []time.Duration{5 * year, -5 * year, time.Hour, -time.Hour, -56*year - 300*24*time.Hour}

// clockScene is a workshop whose clock is set at random moments: a lot with visits, calls, backups and restarts.
type clockScene struct {
	t     *testing.T
	rng   *rand.Rand
	dir   string
	begun time.Time // by the bubble
	clock wall.Clock
	rig   *rig.Rig
	set   supervisor.Settings
	opts  job.Options
	phone *pocket

	ledger *ledger.Ledger
	run    *supervisor.Supervisor
	keeper *backup.Keeper
	cancel context.CancelFunc
	work   sync.WaitGroup
	starts []time.Time // of each process, by the bubble
	copies []time.Time // likewise
	jumps  int
	wrong  time.Duration // by which the clock is ahead
	lot    int64
	parts  int // made by the machine
	// queued is when each alert came to be; away are the minutes in which nobody could be reached, by the bubble.
	queued map[string]time.Time
	away   []time.Time
}

// outbox notes when alerts came to be, by the start that wrote them and the time since.
type outbox struct {
	*ledger.Ledger
	w *clockScene
}

// PendingAlerts implements alert.Outbox.
func (o outbox) PendingAlerts(ctx context.Context, receiver string, now time.Time, limit int) ([]ledger.Alert, error) {
	list, err := o.Ledger.PendingAlerts(ctx, receiver, now, limit)
	for _, a := range list {
		o.w.queued[a.ID] = o.w.starts[a.Stamp.Boot-1].Add(a.Stamp.SinceStart)
	}
	return list, err
}

// pocket is a telephone that is out of reach now and then.
type pocket struct {
	mu  sync.Mutex
	off bool
	got map[string][]time.Time // by the bubble
}

func (p *pocket) Name() string { return "pocket" }
func (p *pocket) Kind() string { return "service" }
func (p *pocket) Close()       {}

func (p *pocket) Notify(_ context.Context, m *alert.Message) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.off {
		return fmt.Errorf("cannot reach it")
	}
	list := m.Parts
	if list == nil {
		list = []string{m.ID}
	}
	for _, id := range list {
		p.got[id] = append(p.got[id], time.Now())
	}
	return nil
}

// setWrong sets the clock, by so much more than the right time.
func (w *clockScene) setWrong(by time.Duration) {
	if by != w.wrong {
		w.jumps++
	}
	w.wrong = by
	w.clock.SetTo(noon.Add(time.Since(w.begun) + by))
}

// Backup copies the ledger as the real source does. The file system keeps the kernel's time; so the copy gets ours.
func (w *clockScene) Backup(ctx context.Context, to string) error {
	if err := w.ledger.Backup(ctx, to); err != nil {
		return err
	}
	w.copies = append(w.copies, time.Now())
	return os.Chtimes(to, time.Time{}, w.clock.Now().Round(0))
}

// start is one process.
func (w *clockScene) start() {
	var err error
	path := filepath.Join(w.dir, "ledger.db")
	if w.ledger, err = ledger.Open(path, ledger.Options{Now: w.clock.Now}); err != nil {
		w.t.Fatal(err)
	}
	w.starts = append(w.starts, time.Now())
	ctx, cancel := context.WithCancel(context.Background())
	inspect := func(ctx context.Context, path string) (*job.Plan, error) { return job.Inspect(ctx, path, w.opts, nil) }
	id := "start" + strconv.Itoa(len(w.starts))
	m, err := supervisor.NewMachine(ctx, w.set, w.ledger, inspect, id, w.clock.Now())
	if err != nil {
		w.t.Fatal(err)
	}
	w.cancel, w.run = cancel, supervisor.New(m, w.ledger, w.rig.Open, zap.NewNop())
	calls := alert.NewSwitchboard(alert.SwitchboardOptions{Outbox: outbox{w.ledger, w}, Receivers: []alert.Receiver{{Notifier: w.phone, Level: 1}},
		Policy: alert.Policy{PerHour: 6, Stale: time.Hour, ClockFloor: firstBuild, In: time.UTC}, Retry: alert.Retry{First: 5 * time.Second, Limit: 5 * time.Minute},
		Snapshot: w.run.Snapshot, StartID: id, Log: zap.NewNop(), Now: w.clock.Now})
	w.keeper = backup.New(backup.Options{Source: w, Ledger: path, Folder: filepath.Join(w.dir, "backups"), Keep: 100, Every: backupEvery,
		Log: zap.NewNop(), Now: w.clock.Now, ClockFloor: firstBuild})
	w.work.Go(func() { _ = w.run.Run(ctx) })
	w.work.Go(func() { calls.Run(ctx) })
	w.work.Go(func() { w.keeper.Run(ctx) })
}

// halt ends what a process does. What it has noted may then be read.
func (w *clockScene) halt() {
	w.cancel()
	w.work.Wait()
}

func (w *clockScene) stop() {
	w.halt()
	if err := w.ledger.Close(); err != nil {
		w.t.Error(err)
	}
}

// operate does what is to be done at the machine.
func (w *clockScene) operate() {
	ctx := context.Background()
	do := func(r supervisor.Request) { _, _ = w.run.Do(ctx, r) }
	s := w.run.Snapshot()
	good := 0
	if s.Lot != nil {
		good = s.Lot.Unverified
	}
	switch s.State {
	case supervisor.Held:
		offset := 0.1
		do(supervisor.Request{Visit: &supervisor.Visit{OffsetMM: &offset, Good: good}})
		do(supervisor.Request{Command: supervisor.Unhold})
	case supervisor.Suspended:
		do(supervisor.Request{Command: supervisor.Unsuspend})
	case supervisor.Aborted:
		do(supervisor.Request{Command: supervisor.Clear})
	case supervisor.Stopped:
		do(supervisor.Request{Command: supervisor.Reset})
	case supervisor.Complete:
		if good > 0 {
			do(supervisor.Request{Visit: &supervisor.Visit{Good: good}})
		}
	case supervisor.Idle:
		if s.Lot != nil && s.Lot.Status == ledger.LotOpen {
			do(supervisor.Request{Visit: &supervisor.Visit{BeltCleared: true, Interrupted: "scrap"}})
			do(supervisor.Request{Visit: &supervisor.Visit{BeltCleared: true}})
			do(supervisor.Request{Command: supervisor.Start})
		}
	}
}

// play goes through a scene, minute by minute.
func (w *clockScene) play() {
	w.start()
	time.Sleep(time.Minute)
	plan, err := job.Inspect(context.Background(), clipJob, w.opts, nil)
	if err != nil {
		w.t.Fatal(err)
	}
	res, err := w.run.Do(context.Background(), supervisor.Request{Lot: &supervisor.LotRequest{Plans: []*job.Plan{plan}, Good: []int{6}, Start: true}})
	if err != nil {
		w.t.Fatal(err)
	}
	w.lot = res.LotID
	chance := func(perHour float64) bool { return w.rng.Float64() < perHour/60 }
	setAt := time.Time{}
	for time.Since(w.begun) < sceneFor {
		time.Sleep(time.Minute)
		last := time.Since(w.begun) > sceneFor-2*time.Hour
		switch {
		case last:
			w.setWrong(0)
		case !setAt.IsZero() && time.Now().After(setAt): // the network is there
			w.setWrong(0)
			setAt = time.Time{}
		case chance(2):
			w.setWrong(append(wrongBy, 0)[w.rng.IntN(len(wrongBy)+1)])
		case chance(0.6):
			w.stop()
			if w.rng.IntN(2) == 0 { // a board without a clock
				w.setWrong(wrongBy[4])
				setAt = time.Now().Add(time.Duration(1+w.rng.IntN(40)) * time.Minute)
			}
			for range w.rng.IntN(20) {
				w.away = append(w.away, time.Now())
				time.Sleep(time.Minute)
			}
			w.start()
			continue
		}
		w.phone.mu.Lock()
		w.phone.off = !last && (w.phone.off && !chance(4) || chance(0.3))
		if w.phone.off {
			w.away = append(w.away, time.Now())
		}
		w.phone.mu.Unlock()
		w.judgeShown()
		if w.rng.IntN(12) == 0 {
			w.operate()
		}
	}
}

func playClock(t *testing.T, seed uint64) (w *clockScene) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		c := settings(t)
		c.Machine.TemperaturePoll = 30 * time.Second
		rs := rig.DefaultSettings()
		rs.Belt.Axis, rs.Belt.LoopLengthMM = 'Y', 2400
		r, err := rig.New(rs)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		w = &clockScene{t: t, rng: rand.New(rand.NewPCG(seed, 19)), dir: dir, begun: time.Now(), rig: r, set: RunSettings(c), opts: JobOptions(c),
			phone: &pocket{got: map[string][]time.Time{}}, queued: map[string]time.Time{}}
		w.set.Now, w.set.CheckEveryParts, w.set.CheckEvery, w.set.ClockFloor = w.clock.Now, 3, 4*time.Hour, firstBuild
		w.setWrong(0)
		if w.rng.IntN(2) == 0 {
			w.setWrong(wrongBy[w.rng.IntN(len(wrongBy))])
		}
		w.play()
		w.halt()
		w.judgeEnd()
		w.parts = len(r.Parts())
		w.stop()
	})
	return w
}

// TestClockSetBackAndForth: while the clock of the computer is set by years and by hours, and is not set at boot, nothing
// is counted, ordered, timed, called or copied otherwise than with a right one.
func TestClockSetBackAndForth(t *testing.T) {
	scenes, first := 1, uint64(1)
	for name, to := range map[string]func(n int){"BELTWARDEN_CLOCKS": func(n int) { scenes = n }, "BELTWARDEN_SEED": func(n int) { first = uint64(n) }} {
		if text := os.Getenv(name); text != "" {
			n, err := strconv.Atoi(text)
			if err != nil {
				t.Fatal(err)
			}
			to(n)
		}
	}
	var jumps, starts, parts, calls, copies, failed int
	for k := range scenes {
		seed := first + uint64(k)
		ok := t.Run(fmt.Sprint(seed), func(t *testing.T) {
			w := playClock(t, seed)
			if w == nil {
				return
			}
			jumps, starts, copies, calls = jumps+w.jumps, starts+len(w.starts), copies+len(w.copies), calls+len(w.phone.got)
			parts += w.parts
		})
		if !ok {
			failed++
			t.Logf("again with: BELTWARDEN_SEED=%d BELTWARDEN_CLOCKS=1 go test ./daemon/app -count=1 -run TestClockSetBackAndForth", seed)
		}
	}
	t.Logf("scenes with a clock that is set: %d; the clock was set %d times in %d starts; %d parts made, %d calls sent, %d backups; scenes that failed: %d",
		scenes, jumps, starts, parts, calls, copies, failed)
}
