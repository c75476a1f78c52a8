package supervisor

import (
	"context"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/ledger"
)

// TestOneReadingEndsNoWait: replies bear no checksum, so that a byte damaged on its way makes any
// temperature of any other. A second reading, asked for at once, must say the same.
func TestOneReadingEndsNoWait(t *testing.T) {
	for _, c := range []struct {
		name         string
		wait         wait
		is, damaged  string // what the board reads, and what became of it on its way
		arrived      string
		targetNozzle float64
	}{
		{"a cold nozzle, a digit doubled", wait{nozzleFromC: 192}, "T:66.2 /194.0 B:22.0 /0.0", "T:666.2 /194.0 B:22.0 /0.0", "T:193.0 /194.0 B:22.0 /0.0", 194},
		{"a cold nozzle, a digit altered", wait{nozzleFromC: 192, nozzleToC: 199}, "T:153.1 /194.0 B:22.0 /0.0", "T:193.1 /194.0 B:22.0 /0.0", "T:193.0 /194.0 B:22.0 /0.0", 194},
		{"a hot bed, a digit lost", wait{bedToC: 35}, "T:150.0 /150.0 B:59.8 /0.0", "T:150.0 /150.0 B:9.8 /0.0", "T:150.0 /150.0 B:34.8 /0.0", 150},
	} {
		l, err := ledger.Open("reading", ledger.Options{Memory: true})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
		m, err := NewMachine(context.Background(), testSettings(), l, nil, "reading", now)
		if err != nil {
			t.Fatal(err)
		}
		m.Begin(now)
		m.Step(now, LinkSynced{LastNumber: 0})
		m.state = Execute
		m.belt.latest.State.NozzleTargetC = c.targetNozzle
		ended := false
		m.setLegs([]leg{{wait: &c.wait}, {end: func(*Output) { ended = true }}}, &Output{})
		asks := 0
		read := func(told string) {
			now = now.Add(time.Second)
			for _, e := range m.Step(now, Reported{serialio.ParseReply([]byte(told))}).Effects {
				if a, ok := e.(AskBoard); ok && a.Text == "M105" {
					asks++
				}
			}
		}
		read(c.is)
		read(c.damaged)
		if asks != 1 {
			t.Errorf("%s: asked again %d times, want at once and once", c.name, asks)
		}
		read(c.is)
		read(c.damaged)
		read(c.is)
		if ended {
			t.Errorf("%s: %q once in a while ended the wait", c.name, c.damaged)
		}
		read(c.arrived)
		read(c.arrived)
		if !ended {
			t.Errorf("%s: %q twice did not end the wait", c.name, c.arrived)
		}
	}
}

// TestOneReadingMovesNoFilament: a nozzle that one reading says is hot is not taken to be so.
func TestOneReadingMovesNoFilament(t *testing.T) {
	m := &Machine{set: testSettings()}
	at := gcode.NewState()
	at.NozzleTargetC = 194
	for k, c := range []struct {
		toldC float64
		may   bool
	}{{662, false}, {66, false}, {193, false}, {194, true}, {19, false}, {193, false}, {192, true}} {
		m.heat.took(serialio.Temps{HasNozzle: true, NozzleC: c.toldC, NozzleTargetC: 194, HasNozzleTarget: true}, time.Time{})
		if m.mayExtrude(at) != c.may {
			t.Errorf("reading %d, %.0f °C: filament may move: %t, want %t", k+1, c.toldC, !c.may, c.may)
		}
	}
}

// TestABoardSpeaksBeforeItIsInStep: what a board says of itself while the connection gets in step, left
// over from what it was asked before, must not end the daemon.
func TestABoardSpeaksBeforeItIsInStep(t *testing.T) {
	l, err := ledger.Open("early", ledger.Options{Memory: true})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	now := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	m, err := NewMachine(context.Background(), testSettings(), l, nil, "early", now)
	if err != nil {
		t.Fatal(err)
	}
	m.Begin(now)
	m.Step(now, Reported{serialio.ParseReply([]byte("Cap:EMERGENCY_PARSER:1"))})
	if m.link.board.emergency() {
		t.Error("a word from before the board was in step counts for it")
	}
	m.Step(now, LinkSynced{LastNumber: 0})
	m.Step(now, Reported{serialio.ParseReply([]byte("Cap:EMERGENCY_PARSER:1"))})
	if !m.link.board.emergency() {
		t.Error("a word of a board that is in step does not count")
	}
}
