package supervisor

import (
	"strings"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
)

// TestOneReadingEndsNoWait: replies have no checksum, so a byte damaged in transit can turn any
// temperature into any other. A second reading, requested at once, must confirm it.
func TestOneReadingEndsNoWait(t *testing.T) {
	for _, c := range []struct {
		name         string
		wait         wait
		is, damaged  string // what the board reads, and what arrives
		arrived      string
		targetNozzle float64
		twice        bool // two damaged ones in a row do not end it either: no heater jumps so far
	}{
		{"a cold nozzle, a digit doubled", wait{nozzleFromC: 192}, "T:66.2 /194.0 B:22.0 /0.0", "T:666.2 /194.0 B:22.0 /0.0", "T:193.0 /194.0 B:22.0 /0.0", 194, true},
		{"a cold nozzle, a digit altered", wait{nozzleFromC: 192, nozzleToC: 199}, "T:153.1 /194.0 B:22.0 /0.0", "T:193.1 /194.0 B:22.0 /0.0", "T:193.0 /194.0 B:22.0 /0.0", 194, true},
		{"a nozzle that is too hot, a digit altered", wait{nozzleToC: 199}, "T:215.1 /194.0 B:22.0 /0.0", "T:195.1 /194.0 B:22.0 /0.0", "T:197.0 /194.0 B:22.0 /0.0", 194, false},
		{"a cold bed, a digit altered", wait{bedFromC: 58}, "T:22.0 /0.0 B:23.0 /60.0", "T:22.0 /0.0 B:63.0 /60.0", "T:22.0 /0.0 B:59.0 /60.0", 0, true},
		{"a hot bed, a digit lost", wait{bedToC: 35}, "T:150.0 /150.0 B:59.8 /0.0", "T:150.0 /150.0 B:9.8 /0.0", "T:150.0 /150.0 B:34.8 /0.0", 150, true},
		{"a hot bed, its first digit gone", wait{bedToC: 35}, "T:150.0 /150.0 B:58.12 /0.0", "T:150.0 /150.0 B:8.12 /0.0", "T:150.0 /150.0 B:34.8 /0.0", 150, true},
		{"a hot bed told as below freezing", wait{bedToC: 35}, "T:150.0 /150.0 B:48.12 /0.0", "T:150.0 /150.0 B:-48.12 /0.0", "T:150.0 /150.0 B:34.8 /0.0", 150, false},
	} {
		m, now := linkedMachine(t)
		m.state = Execute
		m.belt.latest.State.NozzleTargetC = c.targetNozzle
		if c.wait.bedFromC > 0 {
			m.belt.latest.State.BedTargetC = 60
		}
		ended := false
		m.setLegs([]leg{{wait: &c.wait}, {end: func() { ended = true }}})
		asks := 0
		read := func(told string) {
			now = now.Add(time.Second)
			for _, e := range m.Step(now, Reported{serialio.ParseReply([]byte(told))}).Effects {
				if a, ok := e.(SendControl); ok && a.Text == "M105" {
					asks++
				}
			}
		}
		for range 4 {
			read(c.is)
		}
		read(c.damaged)
		if want := map[bool]int{false: 1}[c.twice || strings.Contains(c.damaged, "-")]; asks != want {
			t.Errorf("%s: asked again %d times, want %d", c.name, asks, want)
		}
		if c.twice {
			read(c.damaged)
		}
		read(c.is)
		read(c.damaged)
		read(c.is)
		if ended {
			t.Errorf("%s: %q once in a while ended the wait", c.name, c.damaged)
		}
		now = now.Add(time.Minute) // in which it gets there
		asks = 0
		for n := 0; n < 5 && !ended; n++ {
			read(c.arrived)
		}
		if !ended || asks != 1 {
			t.Errorf("%s: %q again and again: ended %t, asked at once for another %d times", c.name, c.arrived, ended, asks)
		}
	}
}

// TestOneReadingMovesNoFilament: one hot reading does not make the nozzle count as hot.
func TestOneReadingMovesNoFilament(t *testing.T) {
	m := newMachine(testSettings())
	at := gcode.NewState()
	at.NozzleTargetC = 194
	for k, c := range []struct {
		toldC float64
		may   bool
	}{{662, false}, {66, false}, {193, false}, {194, true}, {19, false}, {193, false}, {192, true}} {
		m.temps.update(serialio.Temps{HasNozzle: true, NozzleC: c.toldC, NozzleTargetC: 194, HasNozzleTarget: true}, time.Time{})
		if m.canExtrude(at) != c.may {
			t.Errorf("reading %d, %.0f °C: filament may move: %t, want %t", k+1, c.toldC, !c.may, c.may)
		}
	}
}

// TestABoardSpeaksBeforeItIsInStep: replies left over from earlier queries, received during
// synchronisation, must not end the daemon.
func TestABoardSpeaksBeforeItIsInStep(t *testing.T) {
	m, now := newTestMachine(t)
	m.Begin(now)
	m.Step(now, Reported{serialio.ParseReply([]byte("Cap:EMERGENCY_PARSER:1"))})
	if m.link.board.Emergency() {
		t.Error("a word from before the board was in step counts for it")
	}
	m.Step(now, LinkSynced{LastNumber: 0})
	m.Step(now, Reported{serialio.ParseReply([]byte("Cap:EMERGENCY_PARSER:1"))})
	if !m.link.board.Emergency() {
		t.Error("a word of a board that is in step does not count")
	}
}
