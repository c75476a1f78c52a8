package supervisor

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// TestTuneAtRandom runs trials and changes of scale on the machine, with lots in between: the twin's
// rules hold, and each deferred answer arrives.
func TestTuneAtRandom(t *testing.T) {
	withoutRace(t)
	path := filepath.Join(t.TempDir(), "tiny.gcode")
	if err := os.WriteFile(path, []byte(tinyJob), 0o600); err != nil {
		t.Fatal(err)
	}
	plan, err := job.Inspect(context.Background(), path, testJobOptions(), nil)
	if err != nil {
		t.Fatal(err)
	}
	n, seen := 0, map[string]int{}
	atRandom(t, seen, []string{"scale set", "trial ended", "broken off", "Execute"}, func(rt *rapid.T) {
		n++
		l, err := ledger.Open(fmt.Sprintf("tune-%d", n), ledger.Options{Memory: true})
		if err != nil {
			rt.Fatal(err)
		}
		defer l.Close()
		set := testSettings()
		now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
		m, err := NewMachine(context.Background(), set, l, nil, "tune", now)
		if err != nil {
			rt.Fatal(err)
		}
		w := &twin{t: rt, m: m, l: l, now: now, plan: plan, state: Stopped, open: map[int64]bool{}, seen: seen}
		w.m.belt.latest.State = gcode.NewState()
		w.judge(m.Begin(now))
		seldom := func(do func(*rapid.T)) func(*rapid.T) {
			return func(rt *rapid.T) {
				if rapid.IntRange(0, 5).Draw(rt, "seldom") == 0 {
					do(rt)
				}
			}
		}
		rt.Repeat(map[string]func(*rapid.T){
			"board 1": w.board, "board 2": w.board, "board 3": w.board, "board 4": w.board,
			"tune 1": w.tune, "tune 2": w.tune,
			"clock": seldom(w.clock), "operate": seldom(w.operate), "break": seldom(w.breakLink),
			"sensible": func(*rapid.T) {
				w.feed(Request{Visit: &Visit{BeltCleared: true}})
				for _, c := range []Command{Clear, Reset} {
					w.feed(Request{Command: c})
				}
			},
		})
		if problems, err := l.Check(context.Background()); err != nil || len(problems) > 0 {
			rt.Fatalf("ledger: %v %v", problems, err)
		}
		w.comesBack(rt, set)
	})
}

// tune requests other steps/mm or a trial, or ends one, whatever the machine does.
func (w *twin) tune(rt *rapid.T) {
	m := w.m
	mm := rapid.Float64Range(-4, 4).Draw(rt, "offset")
	var r Request
	switch rapid.SampledFrom([]string{"scale", "undo", "begin", "begin", "begin", "end", "end", "end", "give up"}).Draw(rt, "tune") {
	case "scale":
		steps := rapid.Float64Range(75, 85).Draw(rt, "steps")
		r.Scale = &ScaleRequest{StepsPerMM: steps, NowStepsPerMM: m.link.board.StepsPerMM, Store: rapid.Bool().Draw(rt, "store")}
	case "undo":
		r.Scale = &ScaleRequest{Undo: true}
	case "begin":
		if w.link == linkUp && w.state != Resetting && rapid.IntRange(0, 4).Draw(rt, "cold") > 0 {
			r := serialio.Reply{Kind: serialio.ReplyTemps}
			r.Temps.HasNozzle, r.Temps.HasBed, r.Temps.NozzleC, r.Temps.BedC = true, true, 25, 25
			w.feed(Reported{r})
		}
		r.TrialBegin = &TrialBegin{RunMM: 500, BeforeMM: &mm, Clear: true, Sure: true}
		if rapid.Bool().Draw(rt, "turned") {
			r.TrialBegin.Adjuster, r.TrialBegin.Turns = "left", 0.5
		}
	case "end":
		r.TrialEnd = &TrialEnd{AfterMM: &mm, Sure: true, MarkMoved: true}
	case "give up":
		r.TrialEnd = &TrialEnd{GiveUp: true}
	}
	if w.later {
		r.Scale = &ScaleRequest{Undo: true} // must be refused
	}
	out := w.feed(r)
	if out.Deferred != (m.rescaling.on && r.Scale != nil && out.Refused == nil) {
		rt.Fatalf("the answer is put off: %v, a change is on its way: %v", out.Deferred, m.rescaling.on)
	}
	if r.TrialEnd != nil && out.Refused == nil {
		w.seen["trial ended"]++
	}
}

// answers checks that a request with a deferred answer gets exactly one.
func (w *twin) answers(out Output) {
	if out.Settled != nil {
		if !w.later {
			w.t.Fatalf("%+v answers nothing", out.Settled)
		}
		w.later = false
		if out.Settled.Refused == nil {
			w.seen["scale set"]++
		}
	}
	for _, r := range out.Records {
		if e, ok := r.(ledger.TrialEnded); ok && strings.HasPrefix(e.How, "interrupted") {
			w.seen["broken off"]++
		}
	}
	if out.Deferred {
		w.later = true
	}
	if w.later != w.m.rescaling.on {
		w.t.Fatalf("an answer is due: %v; a change is on its way: %v", w.later, w.m.rescaling.on)
	}
	if t := w.m.trials.open(); w.m.trials.active && (t == nil || t.Ran || w.m.cycle != nil) {
		w.t.Fatalf("a belt is to run for %+v, with part %+v", t, w.m.cycle)
	}
}

// accepts simulates the board at the end of a program: it runs the belt of a trial, and reports the
// steps/mm that were set.
func (w *twin) accepts(rt *rapid.T) {
	m := w.m
	switch t := m.trials.open(); {
	case m.rescaling.on && m.link.board.StepsPerMM == 0 && rapid.IntRange(0, 4).Draw(rt, "obeys") > 0:
		w.feed(Reported{serialio.Reply{Kind: serialio.ReplyEcho, Text: fmt.Sprintf("M92 X80.00 Y%.2f", m.rescaling.to)}})
	case m.state == Resetting && m.link.board.StepsPerMM == 0:
		w.feed(Reported{serialio.Reply{Kind: serialio.ReplyEcho, Text: "M92 X80.00 Y80.00"}})
	case t != nil && m.trials.active && m.work.doing == trialDoing && m.belt.base.TravelMM < t.TravelMM+1:
		p := m.belt.latest
		p.TravelMM, p.AdvanceMM = p.TravelMM+t.RunMM, p.AdvanceMM+t.RunMM
		w.feed(Progressed{p})
	}
}
