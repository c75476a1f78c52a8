package app

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"beltwarden/config"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// shop is a workshop in virtual time: the machine, the daemon that is restarted every
// day, and the one who looks after it.
type shop struct {
	t    *testing.T
	c    *config.Settings
	r    *rand.Rand
	rig  *rig.Rig
	web  *web
	app  *App
	free func(time.Time) int64 // on the disk
	// alter changes the rules before the nth start, from 0; nil leaves them.
	alter func(h *config.Hold, n int)

	plan   *job.Plan
	last   string    // state and reason at which somebody was called
	comes  time.Time // when they will be there
	rested time.Time // since when the machine waits
	lots   int
	visits int
	faults int
	starts int
	fixed  int           // checks corrected
	calls  int           // "I know"
	hot    time.Duration // longest that a waiting machine was hot
}

// begin starts the daemon as it is, but for sockets: in virtual time nothing may wait for
// a network.
func (s *shop) begin() {
	s.t.Helper()
	if s.alter != nil {
		s.alter(&s.c.Hold, s.starts)
	}
	a, err := New(context.Background(), Options{Config: s.c, Opener: s.rig.Open, Log: s.log(), Version: "week", Dial: s.web.dial,
		Free: func(string) (int64, error) { return s.free(time.Now()), nil }})
	if err != nil {
		s.t.Fatal(err)
	}
	a.startBackground("alerts", a.calls.Run)
	a.startBackups()
	a.startDiskWatch()
	a.startRun()
	s.app, s.starts = a, s.starts+1
}

func (s *shop) end() {
	s.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), StopWithin)
	defer cancel()
	problems, err := s.app.ledger.Check(ctx)
	if err != nil || len(problems) > 0 {
		s.t.Errorf("%s: ledger: %v %v", clock(), problems, err)
	}
	gone := !s.app.Snapshot().Line.Connected // then it cannot say more of the heaters than that
	if err := s.app.Stop(ctx); err != nil && !(gone && errors.Is(err, supervisor.ErrHot)) {
		s.t.Errorf("%s: the daemon ended: %v", clock(), err)
	}
}

func clock() string { return time.Now().Format("Mon 15:04:05") }

// whole is how many whole parts the machine has made by its own record.
func (s *shop) whole() (n int) {
	for _, p := range s.rig.Parts() {
		if p.FilamentMM > 0.97*s.plan.FilamentMM { // what the nozzle held back goes with one or the other
			n++
		}
	}
	return n
}

func (s *shop) counts() (made, interrupted, good int) {
	s.t.Helper()
	lots, err := s.app.ledger.Lots(context.Background())
	if err != nil {
		s.t.Fatal(err)
	}
	for _, l := range lots {
		c, err := s.app.ledger.Counts(context.Background(), l.ID)
		if err != nil {
			s.t.Fatal(err)
		}
		made, interrupted, good = made+c.Made-c.InterruptedScrap, interrupted+c.Interrupted, good+c.Good
	}
	return made, interrupted, good
}

// do is what the person asks for; a refusal is shown to them, and is no fault of the test's.
func (s *shop) do(r supervisor.Request) error {
	r.By = "kim"
	_, err := s.app.Do(context.Background(), r)
	return err
}

// must is what has to be accepted.
func (s *shop) must(r supervisor.Request) {
	s.t.Helper()
	if err := s.do(r); err != nil {
		s.t.Errorf("%s, %s: %v", clock(), s.app.Snapshot().State, err)
	}
}

// ask is what can be refused for the time being, since it is evening or the disk is full:
// then they come again later.
func (s *shop) ask(r supervisor.Request) {
	s.t.Helper()
	err := s.do(r)
	if err == nil {
		return
	}
	if text := err.Error(); !strings.Contains(text, "attended hours") && !strings.Contains(text, "ledger's disk") {
		s.t.Errorf("%s, %s: %v", clock(), s.app.Snapshot().State, err)
	}
	s.later(30 * time.Minute)
}

// later says when the person comes, which is never at night.
func (s *shop) later(in time.Duration) {
	s.comes = time.Now().Add(in)
	if s.comes.Hour() < 22 && s.comes.Hour() >= 7 {
		return
	}
	morning := time.Date(s.comes.Year(), s.comes.Month(), s.comes.Day(), 7, s.r.IntN(50), 0, 0, time.UTC)
	if morning.Before(s.comes) {
		morning = morning.AddDate(0, 0, 1)
	}
	s.comes = morning
}

// watch is called every so often: it looks at the heaters, and the person comes once their
// time has come.
func (s *shop) watch() {
	now, shot := time.Now(), s.app.Snapshot()
	key := fmt.Sprintf("%s %s", shot.State, shot.Cause.Code)
	if key != s.last {
		s.last, s.rested = key, now
		s.later(time.Duration(float64(5*time.Minute) * math.Exp(3*s.r.Float64()))) // 5 min to 100 min
		if shot.State == supervisor.Held && s.r.IntN(3) == 0 {
			s.calls++
			s.must(supervisor.Request{Acknowledge: true})
		}
	}
	_, nozzle, _, bed := s.rig.Temperatures()
	limit := 2 * time.Minute
	switch shot.State {
	case supervisor.Held, supervisor.Suspended:
		limit = s.c.Hold.HeatersOffAfter + time.Minute
	case supervisor.Aborted, supervisor.Idle, supervisor.Stopped, supervisor.Complete:
	default:
		return
	}
	if waits := now.Sub(s.rested); nozzle > 0 || bed > 0 {
		s.hot = max(s.hot, waits)
		if waits > limit && shot.Line.Connected {
			s.t.Errorf("%s: %s for %s and heated to %v and %v °C", clock(), shot.State, waits, nozzle, bed)
		}
	}
	if now.Before(s.comes) || shot.State == supervisor.Suspended && shot.Cause.Code == supervisor.CauseDisk && shot.Supply.DiskLow {
		return // there is nothing to be done here before there is room on the disk
	}
	s.visit(shot)
}

// visit is what the person does when they are there.
func (s *shop) visit(shot *supervisor.Snapshot) {
	switch shot.State {
	case supervisor.Held, supervisor.Suspended:
		s.look(shot)
		command := supervisor.Unhold
		if shot.State == supervisor.Suspended {
			command = supervisor.Unsuspend
		}
		s.ask(supervisor.Request{Command: command})
	case supervisor.Complete:
		s.look(shot)
		if l := s.app.Snapshot().Lot; l == nil || l.Status == ledger.LotClosed {
			s.order()
		} else if l.Status == ledger.LotOpen { // scrap is made up for
			s.ask(supervisor.Request{Command: supervisor.Reset, Continue: true})
		}
	case supervisor.Aborted:
		if !shot.Line.Connected {
			return
		}
		s.recover()
	case supervisor.Stopped:
		s.must(supervisor.Request{Command: supervisor.Reset})
	case supervisor.Idle:
		if l := shot.Lot; l == nil || l.Status == ledger.LotClosed || l.Status == ledger.LotEnded {
			s.order()
		} else if l.Status == ledger.LotMade {
			s.look(shot)
		} else {
			s.clear()
			if s.do(supervisor.Request{Command: supervisor.Start}) != nil {
				s.look(shot)
				s.ask(supervisor.Request{Command: supervisor.Start})
			}
		}
	}
}

// order opens the next lot.
func (s *shop) order() {
	if s.lots++; s.lots == 1 {
		some := 12.0
		s.must(supervisor.Request{Visit: &supervisor.Visit{SpoolG: &some, BinEmptied: true}})
	}
	s.ask(supervisor.Request{Lot: &supervisor.LotRequest{Name: fmt.Sprintf("order %d", s.lots), Plans: []*job.Plan{s.plan}, Good: []int{25 + s.r.IntN(40)}, Start: true}})
}

// look reads the offset and counts parts. Now and then something was written down wrongly.
func (s *shop) look(shot *supervisor.Snapshot) {
	s.visits++
	offset := math.Round(2*(s.rig.LateralOffsetMM()+0.2*s.r.NormFloat64())) / 2
	v := &supervisor.Visit{OffsetMM: &offset, Sure: true}
	if l := shot.Lot; l != nil && l.Unverified > 0 {
		v.Good = l.Unverified
		if s.r.IntN(6) == 0 {
			v.Good, v.Scrap = v.Good-1, map[string]int{"warped": 1}
		}
	}
	idle := shot.State == supervisor.Idle // after a restart nothing says what is missing but the refusal
	if g := shot.Supply.SpoolLeftG; shot.Cause.Code == supervisor.CauseFilament || idle && g != nil && *g < 1 {
		full := 15.0
		v.SpoolG = &full
	}
	if n := shot.Supply.Binned; shot.Cause.Code == supervisor.CauseBin || idle && n != nil && *n >= s.c.Discharge.BinParts {
		s.rig.EmptyBin()
		v.BinEmptied = true
	}
	if shot.Cause.Code == supervisor.CauseOffset || math.Abs(offset) > 2.5 {
		s.rig.Realign(0)
		v.Realigned = true
	}
	wrong := s.r.IntN(5) == 0 && v.Good > 1
	right := *v
	if wrong {
		v.Good--
	}
	r, err := s.app.Do(context.Background(), supervisor.Request{By: "kim", Visit: v})
	if err != nil {
		s.t.Errorf("%s: a check was refused: %v", clock(), err)
		return
	}
	if wrong {
		s.fixed++
		right.Corrects = r.CheckID
		s.must(supervisor.Request{Visit: &right})
	}
}

// recover goes on after a fault.
func (s *shop) recover() {
	s.clear()
	if err := s.do(supervisor.Request{Command: supervisor.Clear, Continue: true}); err != nil {
		s.look(s.app.Snapshot())
		s.must(supervisor.Request{Command: supervisor.Clear})
	}
}

// clear clears the belt, and judges a broken part by what lies there.
func (s *shop) clear() {
	s.visits++
	made, open, _ := s.counts()
	v := &supervisor.Visit{BeltCleared: true, Sure: true}
	if open > 0 {
		v.Interrupted = "scrap"
		if s.whole() > made {
			v.Interrupted = "good"
		}
	}
	s.rig.ClearBelt()
	s.must(supervisor.Request{Visit: v})
}
