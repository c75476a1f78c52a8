package wording

import (
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor"
)

// Every state has a verb that can be read from across the room, and none hides that a heater may be on.
func TestHeadlineOfEveryState(t *testing.T) {
	seen := map[Sign]bool{}
	for _, state := range supervisor.States() {
		s := running()
		s.State, s.Cause = state, supervisor.Cause{Code: supervisor.CauseOffset, Text: "the belt stands 3.2 mm off"}
		check := func(what string) Headline {
			h := HeadlineOf(s)
			seen[h.Sign] = true
			if n := len([]rune(h.Verb)); n < 4 || n > 13 || h.Verb != Sentence(h.Verb) {
				t.Errorf("%v, %s: verb %q", state, what, h.Verb)
			}
			if h.Matter == "" || strings.HasSuffix(h.Matter, ".") || h.Matter != Sentence(h.Matter) {
				t.Errorf("%v, %s: matter %q", state, what, h.Matter)
			}
			return h
		}
		check("sound")
		s.Line.Problem = "no such port"
		check("no board")
		at := noon.Add(90 * time.Second)
		s.Recovery = &supervisor.RecoveryView{ResumesAt: &at}
		if h := check("resumes"); h.Verb != "Hands off" || !strings.Contains(h.Matter, "12:01:30") {
			t.Errorf("%v: it is about to resume by itself, and the headline is %+v", state, h)
		}
		s.Heat.Unsure, s.Line.Connected = true, false
		s.Heat.Read = noon.Add(-5 * time.Minute)
		if h := check("unsure"); h.Sign != SignDanger || h.Verb != "Cut the mains" || !strings.Contains(h.Matter, "205 °C 5 min ago") {
			t.Errorf("%v: the heaters may be on, and the headline is %+v", state, h)
		}
		s.Heat.Unsure, s.HeatFault = false, "nozzle: reading does not move"
		if h := check("heat fault"); h.Sign != SignDanger {
			t.Errorf("%v: a heat fault is latched, and the headline is %+v", state, h)
		}
		s.HeatFault, s.Heat.ProofFailed = "", true
		if h := check("proof failed"); h.Sign != SignDanger {
			t.Errorf("%v: readings do not show the heaters to be off, and the headline is %+v", state, h)
		}
		s.HeatFault, s.Heat.Proved, s.Heat.ProofFailed, s.Recovery = "nozzle: reading does not move", true, false, nil
		if h := check("cold"); h.Sign == SignDanger {
			t.Errorf("%v: the heaters are shown to be off, and the headline is %+v", state, h)
		}
	}
	for _, sign := range []Sign{SignDanger, SignFault, SignWaiting, SignWorking, SignRest} {
		if !seen[sign] {
			t.Errorf("no state has the sign %q", sign)
		}
	}
}

// What waits for a person says so, by what the person would do.
func TestHeadlineSaysWhatToDo(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(*supervisor.Snapshot)
		sign Sign
		verb string
		in   string
	}{
		{"making", func(*supervisor.Snapshot) {}, SignWorking, "Making", "Next visit 12:55: check"},
		{"held for a check", func(s *supervisor.Snapshot) {
			s.State, s.Cause.Code = supervisor.Held, supervisor.CauseCheckParts
		}, SignWaiting, "Come", "Check due"},
		{"night", func(s *supervisor.Snapshot) {
			s.State, s.Cause.Code = supervisor.Suspended, supervisor.CauseUnattended
		}, SignWaiting, "Waiting", "Outside attended hours"},
		{"spool", func(s *supervisor.Snapshot) {
			s.State, s.Cause.Code = supervisor.Suspended, supervisor.CauseFilament
		}, SignWaiting, "Come", "Spool runs out"},
		{"complete", func(s *supervisor.Snapshot) { s.State = supervisor.Complete }, SignWaiting, "Come", "1 not looked at"},
		{"counted", func(s *supervisor.Snapshot) { s.State, s.Lot.Unverified = supervisor.Complete, 0 }, SignRest, "Done", ""},
		{"after a stop", func(s *supervisor.Snapshot) { s.State = supervisor.Idle }, SignWaiting, "Start", ""},
		{"no lot", func(s *supervisor.Snapshot) { s.State, s.Lot = supervisor.Idle, nil }, SignRest, "Ready", ""},
		{"ends the part", func(s *supervisor.Snapshot) { s.State = supervisor.Suspending }, SignWorking, "Making", "Holds after this part"},
		{"by hand", func(s *supervisor.Snapshot) {
			s.State, s.Cause.Code = supervisor.Holding, supervisor.CauseOperator
		}, SignWorking, "Making", "after this part: by hand"},
	} {
		s := running()
		c.set(s)
		if h := HeadlineOf(s); h.Sign != c.sign || h.Verb != c.verb || !strings.Contains(h.Matter, c.in) {
			t.Errorf("%s: %+v, want %s, %s, %q", c.name, h, c.sign, c.verb, c.in)
		}
	}
}
