package supervisor

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/motion"
)

// TestStrangeBoard: a board whose steps/mm or capabilities differ from its last run must not move a
// lot until somebody has accepted it with a reason.
func TestStrangeBoard(t *testing.T) {
	withoutRace(t)
	t.Parallel()
	for name, change := range map[string]func(*rig.Settings){
		"steps/mm":  func(s *rig.Settings) { s.Machine.StepsPerMM[rig.Y] = 85.2 },
		"abilities": func(s *rig.Settings) { s.Board.EmergencyParser = false },
	} {
		t.Run(strings.ReplaceAll(name, "/", " "), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := newRun(t, testRig(), testSettings())
				x.start()
				x.until(Idle, time.Minute)
				x.stop()
				other := testRig()
				change(&other)
				r, err := rig.New(other)
				if err != nil {
					t.Fatal(err)
				}
				defer x.rig.Close()
				x.rig = r
				defer r.Close()
				for range 2 { // another restart does not clear it either
					x.start()
					x.until(Idle, time.Minute)
					x.stop()
				}
				x.start()
				x.until(Idle, time.Minute)
				x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}}})
				if err := x.refuse(Request{Command: Start}); !strings.Contains(err.Error(), name) {
					t.Errorf("refusal %q does not speak of %s", err, name)
				}
				x.do(Request{Command: Start, Override: "new firmware"})
				x.until(Complete, 2*time.Hour)
				x.stop()
				x.start()
				x.until(Idle, time.Minute)
				x.do(Request{Visit: &Visit{Good: 1}})
				x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{1}, Start: true}})
				x.until(Execute, time.Hour) // it is this port's board now
				x.stop()
			})
		})
	}
}

// TestLimitsOfTheBoard: a board's limits are in the snapshot, however it reports them; a board that
// does not know the commands is handled as before.
func TestLimitsOfTheBoard(t *testing.T) {
	for _, tells := range []rig.LimitReport{rig.LimitsByList, rig.LimitsByWord, rig.LimitsNotReported} {
		inBubble(t, func(t *testing.T) {
			set := testRig()
			set.Board.LimitReport = tells
			x := newRun(t, set, testSettings())
			x.start()
			s := x.until(Idle, time.Minute)
			m := &set.Machine
			if tells == rig.LimitsNotReported {
				if s.Line.Limits != nil {
					t.Errorf("told nothing, and yet %+v", *s.Line.Limits)
				}
			} else if want := (motion.Limits{SpeedMMPerS: m.MaxFeedMMPerS, AccelMMPerS2: m.MaxAccelMMPerS2, PrintAccelMMPerS2: m.AccelMMPerS2,
				TravelAccelMMPerS2: m.AccelMMPerS2, JunctionDeviationMM: m.JunctionDeviationMM}); s.Line.Limits == nil || *s.Line.Limits != want {
				t.Errorf("told %+v, want %+v", s.Line.Limits, want)
			}
			if s.Line.Firmware == "" {
				t.Error("the words after it spoilt what the board calls itself")
			}
			x.stop()
		})
	}
}

// TestAlteredLineShows: at the end of a part the board's position is queried, and a board at another
// position has not made the part.
func TestAlteredLineShows(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tiny.gcode")
	if err := os.WriteFile(path, []byte(tinyJob), 0o600); err != nil {
		t.Fatal(err)
	}
	plan, err := job.Inspect(context.Background(), path, testJobOptions(), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, told := range []string{"X:30.00 Y:15.00 Z:0.20 E:3.00", "X:30.00 Y:11.00 Z:0.20 E:3.00"} {
		m, now := newTestMachine(t)
		hot := serialio.ParseReply([]byte("T:200.0 /200.0 B:60.0 /60.0"))
		made, interrupted := 0, 0
		var program RunProgram
		take := func(out Output) {
			for _, r := range out.Records {
				switch r.(type) {
				case ledger.CycleMade:
					made++
				case ledger.CycleInterrupted:
					interrupted++
				}
			}
			for _, e := range out.Effects {
				if run, ok := e.(RunProgram); ok {
					program = run
				} else if id := programOf(e); id != 0 {
					program = RunProgram{ID: id}
				}
			}
		}
		take(m.Begin(now))
		take(m.Step(now, LinkSynced{LastNumber: 0}))
		take(m.Step(now, ProgramDone{program.ID}))
		take(m.Step(now, Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{1}, Start: true}}))
		for i := 0; program.Program.EndNumber == 0 && i < 20; i++ {
			now = now.Add(time.Second)
			take(m.Step(now, Reported{serialio.ParseReply([]byte("X:0.00 Y:0.00 Z:0.00 E:0.00"))})) // after an unknown lead-in
			take(m.Step(now, ProgramDone{program.ID}))
			take(m.Step(now, Reported{hot}))
		}
		m.belt.latest.State.PositionMM, m.belt.latest.State.Known = [4]float64{30, 15, 0.2, 3}, [4]bool{true, true, true, true}
		take(m.Step(now, Reported{serialio.ParseReply([]byte(told))}))
		take(m.Step(now, ProgramDone{program.ID}))
		for range 2 { // the nozzle is as hot as it was
			now = now.Add(time.Second)
			take(m.Step(now, Reported{hot}))
		}
		right := strings.Contains(told, "Y:15")
		if right && (made != 1 || interrupted != 0 || m.State() != Execute) ||
			!right && (made != 0 || interrupted != 1 || m.State() != Aborting) {
			t.Errorf("told %q: %d made, %d interrupted, %s: %s", told, made, interrupted, m.State(), m.cause.Text)
		}
	}
}

// TestShortAdvanceShows: after a part has been moved off, the belt's position is queried before the
// head comes down.
func TestShortAdvanceShows(t *testing.T) {
	for told, want := range map[string]State{"X:30.00 Y:3.00 Z:20.20 E:3.00": Execute, "X:30.00 Y:-4.51 Z:20.20 E:3.00": Aborting} {
		m, _ := linkedMachine(t)
		m.state = Execute
		legs := m.dischargeLegs(&job.Plan{PitchMM: 40})
		last := legs[len(legs)-1]
		if p := last.program(); !p.queriesPosition() {
			t.Fatalf("after the advance the board is not asked where it stands: %q", p.Before)
		}
		m.belt.latest.State.PositionMM, m.belt.latest.State.Known = [4]float64{30, 3, 20.2, 3}, [4]bool{true, true, true, true}
		m.positionReported(serialio.ParseReply([]byte(told)))
		last.end()
		if m.State() != want {
			t.Errorf("told %q: %s, want %s", told, m.State(), want)
		}
	}
}

// TestMovesAheadOfTheBeltShow: the board drops the moves of a lead-in, or the lift of the head before
// parts are run over the drop edge. No part begins, and the belt does not run. An end stop at a
// coordinate other than 0 is not a reason for that.
func TestMovesAheadOfTheBeltShow(t *testing.T) {
	for _, c := range []struct {
		told         string
		lift         bool
		state, after State
	}{
		{"X:-5.00 Y:9.60 Z:0.20 E:0.00", false, Starting, Starting},
		{"X:-5.00 Y:0.00 Z:0.20 E:0.00", false, Starting, Aborting},
		{"X:-5.00 Y:9.60 Z:0.00 E:0.00", false, Starting, Aborting},
		{"X:0.00 Y:9.60 Z:0.20 E:0.00", true, Stopping, Stopping},
		{"X:0.00 Y:9.60 Z:0.00 E:0.00", true, Stopping, Aborting},
	} {
		m, _ := linkedMachine(t)
		m.state = c.state
		m.lot = &lot{Lot: &book.Lot{Lot: ledger.Lot{Jobs: []ledger.LotJob{{Name: "clip"}}}}, plans: []*job.Plan{{}}, leadInDone: map[int]bool{}}
		m.belt.latest.State.PositionMM, m.belt.latest.State.Known = [4]float64{0, 9.6, 0.2, 0}, [4]bool{true, true, true, true}
		m.belt.latest.State.Homed = [3]bool{true, false, true}
		legs := m.leadInLegs(0)
		if c.lift {
			legs = m.stopLegs(stopOptions{clearBelt: true})[:1]
		}
		last := legs[len(legs)-1]
		if p := last.program(); !p.waitsForMotion() {
			t.Fatalf("%s: the board is not asked where it stands: %q, %q", c.state, p.Before, p.After)
		}
		m.positionReported(serialio.ParseReply([]byte(c.told)))
		last.end()
		if went := m.lot.leadInDone[0] || m.headUp; m.State() != c.after || went != (c.after != Aborting) {
			t.Errorf("%s, told %q: %s, it goes on: %t; want %s", c.state, c.told, m.State(), went, c.after)
		}
	}
}

// TestAPieceOfATrialThatIsDroppedShows: the board's position is queried after each piece of a trial's
// run.
func TestAPieceOfATrialThatIsDroppedShows(t *testing.T) {
	m, _ := linkedMachine(t)
	m.trials.active, m.trials.list, m.trialFeed = true, []ledger.Trial{{TrialBegun: ledger.TrialBegun{ID: 1, RunMM: 500}}}, 1200
	asked := 0
	for _, leg := range m.trialLegs() {
		if leg.program == nil {
			continue
		}
		if p := leg.program(); p.waitsForMotion() {
			asked++
			m.belt.latest.State.PositionMM, m.belt.latest.State.Known = [4]float64{0, 40, 20, 0}, [4]bool{true, true, true, true}
			m.positionReported(serialio.ParseReply([]byte("X:0.00 Y:-60.00 Z:20.00 E:0.00")))
			if leg.end(); m.State() != Aborting {
				t.Fatalf("piece %d was dropped: %s, want Aborting", asked, m.State())
			}
			m.state = Resetting
		}
	}
	if asked != 5 {
		t.Errorf("asked %d times in a run of 500 mm in pieces of 100, want 5", asked)
	}
}
