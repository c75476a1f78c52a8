package supervisor

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// beltWords are the scale commands that the board has executed.
func beltWords(r *rig.Rig) (list []string) {
	for _, e := range r.Record() {
		if text := string(e.Text); strings.Contains(text, "M92 Y") || strings.Contains(text, "M500") {
			list = append(list, text)
		}
	}
	return list
}

func newestScale(l *ledger.Ledger) (ledger.ScaleSet, error) {
	var newest ledger.ScaleSet
	err := l.History(context.Background(), "rig", func(p ledger.Entry) {
		if s, ok := p.Record.(ledger.ScaleSet); ok {
			newest = s
		}
	})
	return newest, err
}

// TestScaleIsSetAndSetBack: the board runs at the new scale, reports it, and does not count as changed
// because of it, nor after a restart of the daemon if it was stored. A machine in a hold continues,
// and its parts' sizes are learned again. Undo restores the old value.
func TestScaleIsSetAndSetBack(t *testing.T) {
	oneMachine(t)
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.CheckEveryParts = 2
		x := newRun(t, testRig(), set)
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{4}, Start: true}})
		x.until(Held, 6*time.Hour)
		x.do(Request{Visit: &Visit{Good: 2, LengthsMM: []float64{20.1, 20.2}}})
		if n := x.s.Snapshot().Lot.Jobs[0].Size.N; n != 2 {
			t.Fatalf("%d lengths charted", n)
		}
		r := x.do(Request{Scale: &ScaleRequest{StepsPerMM: 79.2, NowStepsPerMM: 80}, By: "north-house"})
		if !strings.Contains(r.Text, "79.2") || !strings.Contains(r.Text, "forgets") {
			t.Errorf("answer %q", r.Text)
		}
		if s := x.s.Snapshot(); s.State != Held || s.Lot.Jobs[0].Size.Phase != quality.Learning || s.Lot.Jobs[0].Size.Missing != quality.DefaultSettings().Learn {
			t.Errorf("%s, chart %+v", s.State, s.Lot.Jobs[0].Size)
		}
		if got := beltWords(x.rig); len(got) != 1 || !strings.Contains(got[0], "M92 Y79.2") {
			t.Errorf("the board was told %q", got)
		}
		kept, err := newestScale(x.ledger)
		if err != nil || kept.OldStepsPerMM != 80 || kept.NewStepsPerMM != 79.2 || kept.Stored || kept.By != "north-house" || kept.Axis != "Y" {
			t.Errorf("kept %+v, %v", kept, err)
		}
		setAt := kept.TravelMM
		x.do(Request{Command: Unhold})
		x.until(Complete, 6*time.Hour)
		x.stop()

		x.start() // the chart learns from lengths at the new scale alone
		x.until(Idle, time.Minute)
		if b := x.s.Snapshot().Belt; setAt < 100 || b.CalibratedMM == nil || math.Abs(*b.CalibratedMM-(b.TravelMM-setAt+setAt*80/79.2)) > 1e-6 {
			t.Errorf("set at %g mm: %+v", setAt, b)
		}
		if s := x.s.Snapshot(); s.Lot.Made != 4 || s.Lot.Jobs[0].Size.N != 2 || s.Lot.Jobs[0].Size.Missing != quality.DefaultSettings().Learn {
			t.Errorf("after a restart %+v, chart %+v", s.Lot, s.Lot.Jobs[0].Size)
		}
		x.do(Request{Visit: &Visit{Good: 1, Scrap: map[string]int{"warped": 1}}})
		// Opening the port restarts this board, which loses what was not stored.
		if err := x.refuse(Request{Command: Start}); !strings.Contains(err.Error(), "lost the 79.2") {
			t.Errorf("with a forgetful board: %v", err)
		}
		x.do(Request{Scale: &ScaleRequest{StepsPerMM: 79.2, NowStepsPerMM: 80, Store: true}})
		x.stop()
		x.start()
		x.until(Idle, time.Minute)
		x.do(Request{Command: Start}) // it does not count as a changed board
		x.until(Complete, 6*time.Hour)
		r = x.do(Request{Scale: &ScaleRequest{Undo: true, Store: true}})
		if !strings.Contains(r.Text, "runs at 80 ") || !strings.Contains(r.Text, "store") {
			t.Errorf("answer %q", r.Text)
		}
		if got := beltWords(x.rig); len(got) != 5 || !strings.Contains(got[2], "M500") || !strings.Contains(got[3], "M92 Y80") || !strings.Contains(got[4], "M500") {
			t.Errorf("the board was told %q", got)
		}
		if kept, _ = newestScale(x.ledger); !kept.Stored || kept.NewStepsPerMM != 80 || kept.OldStepsPerMM != 79.2 {
			t.Errorf("kept %+v", kept)
		}
		x.stop()
	})
}

// TestScaleIsRefused: nothing of this reaches the board.
func TestScaleIsRefused(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set := testSettings()
		set.StepsPerMM = 80
		x := newRun(t, testRig(), set)
		x.start()
		if err := x.refuse(Request{Scale: &ScaleRequest{StepsPerMM: 79, NowStepsPerMM: 80}}); !strings.Contains(err.Error(), "Resetting") {
			t.Errorf("while resetting: %v", err)
		}
		x.until(Idle, time.Minute)
		for want, q := range map[string]ScaleRequest{
			"starts from 85":               {StepsPerMM: 84, NowStepsPerMM: 85},
			"more than 25 %":               {StepsPerMM: 101, NowStepsPerMM: 80},
			"not possible":                 {StepsPerMM: math.NaN(), NowStepsPerMM: 80},
			"machine.belt_steps_per_mm: 7": {StepsPerMM: 79, NowStepsPerMM: 80},
			"already":                      {StepsPerMM: 80.001, NowStepsPerMM: 80},
			"no change to undo":            {Undo: true},
		} {
			if err := x.refuse(Request{Scale: &q}); !strings.Contains(err.Error(), want) {
				t.Errorf("%+v gives %v, want %q", q, err, want)
			}
		}
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{4}, Start: true}})
		x.until(Execute, time.Hour)
		if err := x.refuse(Request{Scale: &ScaleRequest{StepsPerMM: 79, NowStepsPerMM: 80}}); !strings.Contains(err.Error(), "half way") {
			t.Errorf("in the middle of a part: %v", err)
		}
		if got := beltWords(x.rig); len(got) != 0 {
			t.Errorf("the board was told %q", got)
		}
		x.stop()
	})
}

// scaleAt brings a machine to Idle by hand and requests 79 steps/mm in place of 80.
func scaleAt(t *testing.T) (m *Machine, take func(Event) Output, now *time.Time) {
	t.Helper()
	l, err := ledger.Open(t.Name(), ledger.Options{Memory: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	at := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	m, err = NewMachine(context.Background(), testSettings(), l, nil, "scale", at)
	if err != nil {
		t.Fatal(err)
	}
	var id uint64
	take = func(ev Event) Output {
		t.Helper()
		if ev == (ProgramDone{}) {
			ev = ProgramDone{id}
		}
		out := m.Step(at, ev)
		for _, e := range out.Effects {
			id = max(id, programOf(e))
		}
		if err := l.Commit(context.Background(), out.Records...); len(out.Records) > 0 && err != nil {
			t.Fatal(err)
		}
		return out
	}
	for _, e := range m.Begin(at).Effects {
		id = max(id, programOf(e))
	}
	take(LinkSynced{})
	take(told("M92 X80.00 Y80.00 Z400.00 E93.00"))
	take(ProgramDone{})
	if m.State() != Idle {
		t.Fatal(m.State())
	}
	if out := take(Request{Scale: &ScaleRequest{StepsPerMM: 79, NowStepsPerMM: 80, Store: true}}); out.Refused != nil || !out.Deferred {
		t.Fatalf("%+v", out)
	}
	return m, take, &at
}

func told(text string) Reported { return Reported{serialio.ParseReply([]byte(text))} }

// TestScaleThatFails: what the board does not confirm is never reported as done, and nothing begins
// before it was queried again.
func TestScaleThatFails(t *testing.T) {
	settled := func(t *testing.T, out Output, want string) {
		t.Helper()
		if out.Settled == nil || out.Settled.Refused == nil || !strings.Contains(out.Settled.Refused.Error(), want) {
			t.Errorf("it ends with %+v, want %q", out.Settled, want)
		}
	}
	unsure := func(t *testing.T, m *Machine, want bool) {
		t.Helper()
		if (m.rescaling.unknownWhy != "") != want || m.rescaling.on {
			t.Errorf("unsure %q, on %v", m.rescaling.unknownWhy, m.rescaling.on)
		}
	}
	t.Run("ignored", func(t *testing.T) {
		m, take, _ := scaleAt(t)
		take(told("echo: M92 X80.00 Y80.00 Z400.00 E93.00"))
		settled(t, take(ProgramDone{}), "still runs at 80")
		unsure(t, m, false)
	})
	t.Run("another value", func(t *testing.T) {
		m, take, _ := scaleAt(t)
		take(told("echo: M92 X80.00 Y790.00 Z400.00 E93.00"))
		settled(t, take(ProgramDone{}), "reports 790")
		unsure(t, m, true)
		if err := m.checkContinue("start", Request{}); m.lot != nil || err == nil {
			t.Error("it may go on")
		}
	})
	t.Run("silence", func(t *testing.T) {
		m, take, _ := scaleAt(t)
		settled(t, take(ProgramDone{}), "no longer reports")
		unsure(t, m, true)
	})
	t.Run("no answer", func(t *testing.T) {
		m, take, now := scaleAt(t)
		if due, ok := m.Deadline(); !ok || due.After(now.Add(rescaleBound)) {
			t.Errorf("the next deadline is %s", due)
		}
		*now = now.Add(rescaleBound)
		settled(t, take(Tick{}), "not answered within 20s")
		unsure(t, m, true)
		// Its lines may still be at the board, and no others must come in between.
		if out := take(Request{Command: Start}); out.Refused == nil || !strings.Contains(out.Refused.Error(), "not answered yet") {
			t.Errorf("start meanwhile: %+v", out)
		}
	})
	t.Run("cable out", func(t *testing.T) {
		m, take, _ := scaleAt(t)
		settled(t, take(LinkLost{serialio.ErrReset}), "the connection was lost")
		unsure(t, m, true)
		take(Request{Command: Reset})
		take(LinkSynced{Reset: true})
		take(told("M92 X80.00 Y80.00 Z400.00 E93.00"))
		take(ProgramDone{})
		unsure(t, m, false)
	})
	t.Run("stopped", func(t *testing.T) {
		m, take, _ := scaleAt(t)
		if out := take(Request{Command: Start}); out.Refused == nil || !strings.Contains(out.Refused.Error(), "being set") {
			t.Errorf("start meanwhile: %+v", out.Refused)
		}
		settled(t, take(Request{Command: Stop}), "the machine went on to Stopping")
		unsure(t, m, true)
	})
	t.Run("not stored", func(t *testing.T) {
		m, take, _ := scaleAt(t)
		take(told("echo: M92 X80.00 Y79.00 Z400.00 E93.00"))
		if out := take(ProgramDone{}); out.Settled != nil {
			t.Errorf("before it was stored: %+v", out.Settled)
		}
		take(told("Error: no storage"))
		settled(t, take(ProgramDone{}), "runs at 79 steps/mm (before: 80); but the board did not store it: no storage")
		unsure(t, m, false)
		if s := m.bed.Scale; s == nil || s.Stored || s.NewStepsPerMM != 79 {
			t.Errorf("kept %+v", s)
		}
		// The board restarts and loses it.
		take(LinkLost{serialio.ErrReset})
		take(Request{Command: Reset})
		take(LinkSynced{Reset: true})
		take(told("M92 X80.00 Y80.00 Z400.00 E93.00"))
		take(ProgramDone{})
		if !strings.Contains(m.boardDiffers, "lost the 79") {
			t.Errorf("the board is strange by %q", m.boardDiffers)
		}
		if c := m.boardDiffersCommand("--override REASON"); c != "beltwarden scale --apply --store, or --override REASON" {
			t.Errorf("a terminal is to run %q", c)
		}
		take(Request{Scale: &ScaleRequest{StepsPerMM: 79, NowStepsPerMM: 80}})
		take(told("echo: M92 X80.00 Y79.00 Z400.00 E93.00"))
		if out := take(ProgramDone{}); out.Settled == nil || out.Settled.Refused != nil || m.boardDiffers != "" {
			t.Errorf("set again: %+v, strange %q", out.Settled, m.boardDiffers)
		}
	})
}
