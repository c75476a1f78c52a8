package supervisor

import (
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
)

// TestAWishLapses: a request made while the board was missing moves and heats nothing when the board
// is back hours later, and whoever relied on it is called.
func TestAWishLapses(t *testing.T) {
	lot := func(x *run) *LotRequest {
		return &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{2}, Start: true}
	}
	far := 0.0
	for name, word := range map[string]func(*run){
		"clear and go on": func(x *run) {
			x.do(Request{Visit: &Visit{BeltCleared: true, OffsetMM: &far, Interrupted: "scrap"}})
			x.do(Request{Command: Clear, Continue: true})
		},
		"reset and go on": func(x *run) {
			x.stops()
			x.do(Request{Command: Reset, Continue: true})
		},
		"a lot": func(x *run) {
			x.stops()
			x.do(Request{EndLot: true})
			x.do(Request{Lot: lot(x)})
		},
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				rs := testRig()
				rs.Board = rig.Variations()["lasting"]
				x := making(t, rs, testSettings())
				x.rig.Unplug()
				x.until(Aborted, 10*time.Minute)
				word(x)
				moved := len(acted(x.rig.Record()))
				time.Sleep(3 * time.Hour)
				x.rig.Replug()
				x.until(map[bool]State{true: Stopped, false: Idle}[name == "clear and go on"], 30*time.Minute)
				time.Sleep(30 * time.Minute)
				if s := x.s.Snapshot(); s.State != Stopped && s.State != Idle {
					t.Errorf("%s: %s", s.State, s.Cause.Text)
				}
				if list := acted(x.rig.Record()); len(list) > moved {
					t.Errorf("sent after the board was back: %q", list[moved:])
				}
				if told := x.alerts(); strings.Count(told, "link: it will not begin by itself") != 1 {
					t.Errorf("told:\n%s", told)
				}
				x.stop()
			})
		})
	}
}

// stops clears with the board connected, and takes the cable out again.
func (x *run) stops() {
	x.t.Helper()
	far := 0.0
	x.do(Request{Visit: &Visit{BeltCleared: true, OffsetMM: &far, Interrupted: "scrap"}})
	x.rig.Replug()
	time.Sleep(time.Hour) // cold
	x.do(Request{Command: Clear})
	x.until(Stopped, 10*time.Minute)
	x.rig.Unplug()
	time.Sleep(10 * time.Minute)
}

// acted counts the lines of a record that heat or move.
func acted(record []rig.Executed) (list []string) {
	for _, e := range record {
		word, rest, _ := strings.Cut(e.Text, " ")
		hot := slices.Contains([]string{"M104", "M109", "M140", "M190"}, word) && rest != "S0"
		if hot || slices.Contains([]string{"G0", "G1", "G28"}, word) {
			list = append(list, e.Text)
		}
	}
	return list
}
