package supervisor

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// pairFrom is the first of the seeds for situations that wide ones reach by luck or never: a fault at
// a moment reached by specific commands, with a second one right after it; and in every sixth, faults
// after which the machine resumes by itself.
const pairFrom = 2_000_000_000

// onceAlone: one in this many of these seeds has the machine resume by itself.
const onceAlone = 6

// pairMoments are what the machine is doing when the first fault occurs, and the commands that lead
// there, each with the moment at which it is given.
var pairMoments = []struct {
	when  string
	words []act
}{
	{nextHeats, nil},
	{"making part", nil},
	{"lead-in", nil},
	{"cooling", nil},
	{"advancing", nil},
	{"Holding", []act{{what: "hold", when: "making part"}}},
	{"Held", []act{{what: "hold", when: "making part"}}},
	{"Unholding", []act{{what: "hold", when: "making part"}, {what: "unhold", when: "Held"}}},
	{"Suspending", []act{{what: "suspend", when: "making part"}}},
	{"Suspended", []act{{what: "suspend", when: "making part"}}},
	{"Unsuspending", []act{{what: "suspend", when: "making part"}, {what: "unsuspend", when: "Suspended"}}},
	{"Completing", []act{{what: "complete", when: "making part"}}},
	{"Stopping", []act{{what: "stop and clear", when: "making part"}}},
	{"Aborting", []act{{what: "abort", when: "making part"}}},
	{"Aborted", []act{{what: "abort", when: "making part"}}},
	{"Clearing", []act{{what: "abort", when: "making part"}, {what: "cleared", when: "Aborted"}, {what: "clear", when: "Aborted"}}},
	{"Resetting", []act{{what: "stop", when: "making part"}, {what: "cleared", when: "Stopped"}, {what: "reset", when: "Stopped"}}},
	{trialDoing, []act{{what: "stop", when: "making part"}, {what: "cleared", when: "Stopped"}, {what: "trial", when: "Stopped"}}},
	{"setting the belt", []act{{what: "hold", when: "making part"}, {what: "scale begins", when: "Held"}}},
}

// nextHeats is the moment between two parts at which the machine heats for the next, nextWarms a later
// one, at which the bed's sensor has been seen to follow its heater.
const (
	nextHeats = "heats for the next part"
	nextWarms = "warms for the next part"
)

// pairFaults are the faults.
var pairFaults = []string{"unplug", "button", "kill", "kill and cool", "commits fail", "low disk", "heat fault", "silence", "halt", "abort", "restart", "job lost"}

// pairUp makes a scene of two faults, or one in which the machine resumes by itself.
func pairUp(s *scene, boards map[string]rig.Board, pool []string) {
	rng := rand.New(rand.NewPCG(s.seed, 0x70616972))
	s.wide = rng
	s.acts, s.persist = nil, 1+rng.IntN(4)
	n := int(s.seed - pairFrom)
	slow := rng.IntN(4) == 0 // a kill near the end of a slow part finds all of its lines accepted
	s.jobs, s.good = []string{pool[rng.IntN(len(pool))]}, []int{3}
	if slow {
		s.jobs[0] = pool[slowJob]
	}
	if n%onceAlone == 0 {
		drawAlone(s, rng, boards)
		return
	}
	if rng.IntN(3) > 0 {
		s.rig.Faults = nil
	}
	n = n/onceAlone*(onceAlone-1) + n%onceAlone - 1
	m := pairMoments[n%len(pairMoments)]
	s.bed = m.when == nextHeats
	for _, w := range m.words {
		w.draw = rng.Uint64()
		s.acts = append(s.acts, w)
	}
	first := strike(rng, pairFaults[n/len(pairMoments)%len(pairFaults)])
	first.when, first.wait = m.when, soon(rng)
	if slow && m.when == "making part" {
		first.wait = time.Duration(rng.IntN(150)) * time.Second
	}
	second := strike(rng, pairFaults[rng.IntN(len(pairFaults))])
	second.lines, second.after = 1<<30, soon(rng)*time.Duration(1+rng.IntN(20))
	s.acts = append(s.acts, first, second)
}

// soon is a moment, short ones as likely as long ones.
func soon(rng *rand.Rand) time.Duration {
	return time.Millisecond << rng.IntN(13) * time.Duration(rng.IntN(4)) / 2
}

func strike(rng *rand.Rand, what string) act {
	return act{what: what, for_: time.Second + soon(rng)*time.Duration(1+rng.IntN(60)), cold: rng.IntN(2) == 0, draw: rng.Uint64()}
}

// drawAlone makes a scene in which a cable comes out between two parts, once more often than the owner
// allows the machine to resume by itself. In every second scene something else happens while it waits,
// or the board is one on which it must not resume.
func drawAlone(s *scene, rng *rand.Rand, boards map[string]rig.Board) {
	s.rig.Faults, s.set.CheckEveryParts = nil, 0
	s.rig.Machine = testRig().Machine // a heater that cools as fast as a small one makes its sensor doubtful
	if latency := s.rig.Board.Latency; rng.IntN(8) > 0 {
		s.board = "lasting"
		s.rig.Board, s.set.Conn.WindowBytes, s.small = boards[s.board], 0, false
		s.rig.Board.Latency = latency
	}
	times := 1 + rng.IntN(3)
	s.set.AutoResumePerDay, s.set.AutoResumeAfter = times, time.Duration(1+rng.IntN(5))*time.Minute
	s.good[0], s.bed = times+3, true
	s.alone = times
	disturbed := -1
	if rng.IntN(2) == 0 || s.board != "lasting" {
		s.alone, disturbed = 0, rng.IntN(times+1)
	} else {
		s.set.FirstArticle = false // while one waits for a check the machine must not resume
	}
	for n := range times + 1 {
		out := strike(rng, "unplug")
		out.when, out.cold = nextWarms, false
		if s.alone > 0 {
			out.for_ = time.Second + time.Duration(rng.IntN(30_000))*time.Millisecond
		}
		s.acts = append(s.acts, out)
		if n == disturbed {
			words := append([]string{"acknowledge", "acknowledge", "hold", "check", "start", "room"}, pairFaults...)
			other := strike(rng, words[rng.IntN(len(words))])
			other.lines, other.after = 1<<30, time.Duration(rng.Int64N(int64(s.set.AutoResumeAfter+3*time.Minute)))
			s.acts = append(s.acts, other)
		}
		s.acts = append(s.acts, act{what: "let alone", lines: 1 << 30})
	}
}

// heatedBed replaces the scene's job with the next of the pool that heats the bed well above the
// release temperature: only those heat for long between two parts.
func (w *world) heatedBed() {
	names := slices.Sorted(maps.Keys(w.plans))
	from := slices.Index(names, w.jobs[0])
	for k := range names {
		if name := names[(from+k)%len(names)]; w.plans[name].Begin.BedTargetC >= 50 {
			w.jobs[0] = name
			return
		}
	}
	w.wrong("no job heats the bed")
}

// warms waits until the machine heats for the next part, and with well until the bed has warmed enough
// for its sensor to be known to follow. It returns false until then.
func (w *world) warms(well bool) bool {
	heats := func() bool {
		s := w.sup.Snapshot()
		return s.State == Execute && s.Doing == "heating" && s.Lot.Part > 1
	}
	_, _, cold, _ := w.rig.Temperatures()
	for heats() {
		if _, _, bed, _ := w.rig.Temperatures(); !well || bed > cold+6 {
			return true
		}
		time.Sleep(100 * time.Millisecond)
	}
	return false
}

// actPair carries out the acts that only these seeds draw. It returns false for any other act.
func (w *world) actPair(a act) bool {
	rng := rand.New(rand.NewPCG(a.draw, 1))
	inject := func(f rig.Fault) {
		if err := w.rig.Inject(f); err != nil {
			w.wrong("%v", err)
		}
	}
	switch a.what {
	case "let alone":
		w.letAlone()
	case "silence":
		inject(rig.Fault{Kind: rig.Silence, For: a.for_})
	case "halt":
		inject(rig.Fault{Kind: rig.HeaterFault})
	case "scale begins": // the next act does not wait for the board's answer
		sup, to := w.sup, 80*(0.9+0.2*rng.Float64())
		go sup.Do(context.Background(), Request{Scale: &ScaleRequest{NowStepsPerMM: 80, StepsPerMM: to, Store: rng.IntN(2) == 0}})
	case "job lost":
		w.loseJob(rng)
	default:
		return false
	}
	return true
}

// ownJob gives the scene a copy of its job, which it may damage.
func (w *world) ownJob() (done func()) {
	w.plans = maps.Clone(w.plans)
	dir, err := os.MkdirTemp("", "seed")
	if err != nil {
		w.wrong("%v", err)
		return func() {}
	}
	text, err := os.ReadFile(w.jobs[0])
	path := filepath.Join(dir, filepath.Base(w.jobs[0]))
	if err == nil {
		err = os.WriteFile(path, text, 0o600)
	}
	var p *job.Plan
	if err == nil {
		p, err = job.Inspect(context.Background(), path, testJobOptions(), nil)
	}
	if err != nil {
		w.wrong("%v", err)
	}
	w.jobs, w.plans[path] = []string{path}, p
	return func() { os.RemoveAll(dir) }
}

// loseJob removes the job's file, truncates it, or puts a heating command into it.
func (w *world) loseJob(rng *rand.Rand) {
	path := w.jobs[0]
	var err error
	switch rng.IntN(3) {
	case 0:
		err = os.Remove(path)
	case 1:
		err = os.Truncate(path, int64(rng.IntN(300)))
	case 2:
		var text []byte
		if text, err = os.ReadFile(path); err == nil {
			err = os.WriteFile(path, []byte(strings.ReplaceAll(string(text), "M104 S", "M104 S4")), 0o600)
		}
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		w.wrong("%v", err)
	}
}

// letAlone waits until the machine has resumed by itself, or will not.
func (w *world) letAlone() {
	begun, stays := time.Now(), time.Now()
	for time.Since(begun) < 2*time.Hour && time.Since(stays) < 15*time.Minute {
		s := w.sup.Snapshot()
		switch {
		case s.State == Execute && s.Doing != "heating":
			return
		case s.State != Aborted || s.Recovery != nil && s.Recovery.ResumesAt != nil:
			stays = time.Now()
		}
		time.Sleep(time.Second)
	}
}

// goneOn is one time that the machine resumed by itself, and what was wrong with it.
type goneOn struct {
	at    time.Time
	wrong []string
}

// watch checks the ledger's records: the machine may resume by itself only where that is allowed. It
// looks at the machine, not at the run's own state.
func (w *world) watch(r ledger.Record) {
	now := time.Now()
	switch r := r.(type) {
	case ledger.StateChanged:
		if r.State == Aborting.String() {
			w.abortedAt, w.announcedAt = now, time.Time{}
		}
	case ledger.AlertQueued:
		if r.Alert.Reason == CauseAutoResume && strings.Contains(r.Alert.Text, "resumes by itself at ") {
			w.announcedAt = now
		}
		if r.Alert.Reason == CauseHeat || strings.Contains(r.Alert.Text, "the mains") {
			w.called.Store(true)
		}
	case ledger.EventNoted:
		if r.Kind == eventResumed {
			w.gone = append(w.gone, w.judgeAlone(now))
		}
	}
}

func (w *world) judgeAlone(now time.Time) goneOn {
	g := goneOn{at: now}
	wrong := func(format string, a ...any) {
		g.wrong = append(g.wrong, "went on by itself: "+fmt.Sprintf(format, a...))
	}
	if _, nozzle, _, bed := w.rig.Temperatures(); nozzle != 0 || bed != 0 {
		wrong("the heaters are asked for %.0f and %.0f °C", nozzle, bed)
	}
	if nozzle, bed := w.rig.PowersW(); nozzle > 0 || bed > 0 {
		wrong("the heaters give %.1f and %.1f W", nozzle, bed)
	}
	if said := time.Unix(0, w.saidAt.Load()); said.After(w.abortedAt) {
		wrong("somebody gave it a word %v after the fault", said.Sub(w.abortedAt))
	}
	if w.announcedAt.IsZero() || now.Sub(w.announcedAt) < w.set.AutoResumeAfter {
		wrong("announced at %v, to go on %v later at the earliest", w.announcedAt, w.set.AutoResumeAfter)
	}
	for _, at := range w.rig.Figures().ResetAt {
		if w.notes.begun.Add(at).After(w.abortedAt) {
			wrong("the board has restarted since the fault")
		}
	}
	within := 1
	for _, before := range w.gone {
		if now.Sub(before.at) < resumeWindow {
			within++
		}
	}
	if within > w.set.AutoResumePerDay {
		wrong("%d times in a day, %d are allowed", within, w.set.AutoResumePerDay)
	}
	for _, lot := range w.lots {
		cycles, err := w.ledger.Cycles(context.Background(), lot)
		if err != nil {
			wrong("%v", err)
		}
		for _, c := range cycles {
			switch c.State {
			case ledger.CycleStateBegun, ledger.CycleStateInterrupted:
				wrong("part %d is %s", c.Ordinal, c.State)
			}
		}
	}
	return g
}
