package wording

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/book"
)

// crowded is a run about which everything is to be said, with names as wide as they come.
func crowded(state supervisor.State) *supervisor.Snapshot {
	s := running()
	s.State, s.Machine = state, "洗濯ばさみ機🪴 of the greenhouse workshop behind the second gate, left"
	s.Cause = supervisor.Cause{Code: supervisor.CauseOffset, Text: "the belt stands 3.2 mm to the right, beyond its limit of 3.0 mm, and was read by a person who has measured it twice"}
	s.Clock = "the clock stands at 1970, before this program was built: it is not set, and times are shown as it gives them"
	s.Advice, s.Steps = "realign the belt, record the visit and go on: beltwarden check --offset-mm MM --good N --set-aside N --accept-lengths --realigned --note TEXT, then beltwarden unhold",
		[]string{"beltwarden check --offset-mm MM --good N --set-aside N --accept-lengths --realigned --note TEXT", "beltwarden unhold"}
	l := s.Lot
	l.Name = strings.Repeat("植木鉢の札 👩‍🌾 ", 20)
	l.Ordered, l.Made, l.Good, l.Scrap, l.Unverified, l.Interrupted, l.Wanted = 99999, 88888, 77777, 10000, 1111, 3, 22222
	l.Yield = &book.Yield{Cycles: 33333, Yield: 0.9, Assumed: true}
	l.SizeSignal = "the newest length lies beyond the upper limit, and two of three before it near it"
	for i := range 7 {
		l.Jobs = append(l.Jobs, supervisor.JobView{Name: fmt.Sprintf("drip-line peg 滴 %d %s", i, strings.Repeat("x", 60)), Ordered: 10000, Made: 9000, Good: 8000})
	}
	l.Ready = &supervisor.ReadyView{At: noon.Add(300 * time.Hour), Early: noon.Add(200 * time.Hour), Late: noon.Add(400 * time.Hour), Unseen: true}
	for i := range 10 {
		n := i / 5
		s.Care = append(s.Care, supervisor.CareView{Name: fmt.Sprintf("oil the 軸 rod %d", i), Parts: &n, Why: "due"})
		s.Later = append(s.Later, *s.Next)
	}
	s.Next.Bring = []string{"caliper", "rule for the belt's edge", "key for the belt's adjusters", "spool of the same material", "oil", "cloth", "box for the parts"}
	s.Next.Early, s.Next.Late, s.Next.Unseen = noon, noon.Add(time.Hour), true
	s.Line.Connected, s.Line.Problem, s.Line.Command = false, "no permission for /dev/serial/by-id/usb-belt_machine_board-if00; let the user in", "usermod --append --groups dialout beltwarden"
	left := 12345.0
	s.Supply = supervisor.SupplyView{SpoolLeftG: &left, PartG: 3, DiskLow: true, DiskFreeBytes: new(int64)}
	switch state {
	case supervisor.Aborting, supervisor.Aborted:
		s.Recovery = &supervisor.RecoveryView{ResumeBlockedBy: "the belt's position is uncertain by more than the owner allows for resuming without a person",
			Options: []supervisor.RecoveryOption{{Name: "scrap", Text: "clear the belt, call the interrupted part scrap, and go on",
				Steps: []string{"beltwarden check --belt-cleared --interrupted scrap", "beltwarden clear --go-on"}}, {Name: "end", Text: "give up the lot"}}}
		for i := range 9 {
			text := fmt.Sprintf("what number %d of the findings says about the belt, which nobody has looked at since the fault", i)
			s.Recovery.Certain, s.Recovery.Uncertain = append(s.Recovery.Certain, text), append(s.Recovery.Uncertain, text)
		}
		s.Heat.Proof = "not yet shown to be off by falling readings"
	default:
	}
	return s
}

// unbroken puts a command line that is continued as a shell reads it together again.
func unbroken(lines []string) string {
	return regexp.MustCompile(` \\\n +`).ReplaceAllString(strings.Join(lines, "\n"), " ")
}

// Whatever there is to say, in every state the status fits the terminal: the headline first, the
// command to give last, counts and commands whole, no line wider than the terminal.
func TestStatusFitsTheTerminal(t *testing.T) {
	for _, state := range supervisor.States() {
		for name, s := range map[string]*supervisor.Snapshot{"plain": func() *supervisor.Snapshot { s := running(); s.State = state; return s }(), "crowded": crowded(state)} {
			for _, size := range []struct{ width, height int }{{80, 22}, {80, 24}, {80, 60}, {40, 22}, {132, 22}, {80, 9}} {
				what := fmt.Sprintf("%s, %s, %dx%d", state, name, size.width, size.height)
				lines := Status(s, Style{Width: size.width, Height: size.height, Terminal: true})
				text := strings.Join(lines, "\n")
				if len(lines) > size.height {
					t.Errorf("%s: %d lines:\n%s", what, len(lines), text)
				}
				for _, l := range lines {
					if cells(l) > size.width || strings.ContainsAny(l, "\x1b\r\x07") {
						t.Errorf("%s: a line of %d cells: %q", what, cells(l), l)
					}
				}
				verb := HeadlineOf(s).Verb
				if !strings.HasPrefix(lines[0], verb) {
					t.Errorf("%s: it begins with %q, want %q", what, lines[0], verb)
				}
				_, steps := DoNow(s)
				if len(steps) == 0 {
					t.Errorf("%s: no command to give", what)
				}
				if size.height < 20 {
					continue
				}
				flat := strings.Join(strings.Fields(unbroken(lines)), " ")
				for _, step := range steps {
					if !strings.Contains(flat, step) {
						t.Errorf("%s: no %q in\n%s", what, step, text)
					}
				}
				for _, want := range []string{s.Lot.Count().String(), MoreStatus, "Next visit "} {
					if !strings.Contains(flat, want) {
						t.Errorf("%s: no %q in\n%s", what, want, text)
					}
				}
				if !strings.HasSuffix(unbroken(lines), "\n  "+steps[len(steps)-1]) {
					t.Errorf("%s: it ends with %q, want %q", what, lines[len(lines)-1], steps[len(steps)-1])
				}
			}
		}
	}
}

// Away from a terminal nothing is shortened, and nothing says how wide a terminal was.
func TestStatusInAPipeIsWhole(t *testing.T) {
	for _, state := range supervisor.States() {
		s := crowded(state)
		lines := Status(s, Style{Width: 80})
		text := strings.Join(lines, "\n")
		if strings.ContainsAny(text, "\x1b…") || strings.Contains(text, " \\\n") {
			t.Errorf("%s: shortened or decorated:\n%s", state, text)
		}
		_, steps := DoNow(s)
		if want := "  " + steps[len(steps)-1]; lines[len(lines)-1] != want {
			t.Errorf("%s: the last line is %q, want %q", state, lines[len(lines)-1], want)
		}
		flat := strings.Join(strings.Fields(text), " ")
		for _, j := range s.Lot.Jobs {
			if !strings.Contains(flat, j.Name) {
				t.Errorf("%s: job %q is missing", state, j.Name)
			}
		}
	}
}

// The full status says what the short one leaves out, and why a time is a guess once.
func TestFullStatusSaysTheRest(t *testing.T) {
	s := crowded(supervisor.Aborted)
	flat := strings.Join(strings.Fields(strings.Join(FullStatus(s, Style{Width: 80}), " ")), " ")
	for _, want := range []string{"Certain What number 0", "What number 8", "You can", "Give up the lot", "oil the 軸 rod 9", "drip-line peg 滴 6", "usermod --append", "Commands stop"} {
		if !strings.Contains(flat, want) {
			t.Errorf("no %q in %s", want, flat)
		}
	}
	if short := strings.Join(Status(s, Style{Width: 80, Height: 22, Terminal: true}), "\n"); !strings.Contains(short, "\nMore         "+MoreStatus+" says what is certain, and other ways on\n") {
		t.Errorf("where the rest is to be found is not said on one line:\n%s", short)
	}
	s = crowded(supervisor.Execute)
	flat = strings.Join(strings.Fields(strings.Join(FullStatus(s, Style{Width: 80}), " ")), " ")
	if n := strings.Count(flat, "heating and cooling times are not known yet"); n != 1 {
		t.Errorf("why a time is a guess stands there %d times: %s", n, flat)
	}
}

// The verb alone has a colour, and the same words stand without it.
func TestColourIsNeverAlone(t *testing.T) {
	for sign, set := range map[Sign]func(s *supervisor.Snapshot){
		SignDanger:  func(s *supervisor.Snapshot) { s.Heat.Unsure, s.Line.Connected = true, false },
		SignFault:   func(s *supervisor.Snapshot) { s.State, s.Cause.Text = supervisor.Aborted, "the cable is out" },
		SignWaiting: func(s *supervisor.Snapshot) { s.State = supervisor.Complete },
		SignWorking: func(*supervisor.Snapshot) {},
	} {
		s := running()
		set(s)
		plain := Status(s, Style{Width: 80, Height: 22, Terminal: true})
		coloured := Status(s, Style{Width: 80, Height: 22, Terminal: true, Bold: true, Colour: true})
		if HeadlineOf(s).Sign != sign || !regexp.MustCompile("^\x1b\\[[0-9;]*4[123]m[A-Za-z ]+\x1b\\[0m").MatchString(coloured[0]) {
			t.Errorf("%s: %q", sign, coloured[0])
		}
		if got := regexp.MustCompile("\x1b\\[[0-9;]*m").ReplaceAllString(strings.Join(coloured, "\n"), ""); got != strings.Join(plain, "\n") {
			t.Errorf("%s: without colour the words differ:\n%s\n\n%s", sign, got, strings.Join(plain, "\n"))
		}
	}
}

// Before a person is near hot heaters that cannot be reached, nothing else is advised.
func TestDoNowWithHeatersInDoubt(t *testing.T) {
	for _, state := range supervisor.States() {
		s := running()
		s.State, s.Heat.Unsure, s.Line.Connected = state, true, false
		s.Advice, s.Steps = "reset to make the machine ready: beltwarden reset", []string{"beltwarden reset"}
		text, steps := DoNow(s)
		if !strings.Contains(text, "at the mains") || len(steps) != 1 || steps[0] != "beltwarden status" {
			t.Errorf("%s: %q, %q", state, text, steps)
		}
	}
}

// A text takes its columns, not its letters, and is cut between characters.
func TestClip(t *testing.T) {
	for _, c := range []struct {
		text  string
		width int
		want  string
	}{
		{"clips", 5, "clips"}, {"clips", 4, "cli…"}, {"植木鉢", 6, "植木鉢"}, {"植木鉢", 5, "植木…"}, {"植木鉢", 4, "植…"},
		{"e\u0301e\u0301e\u0301", 2, "e\u0301…"}, {"🪴🪴", 3, "🪴…"},
	} {
		if got := Clip(c.text, c.width); got != c.want || cells(got) > c.width {
			t.Errorf("%q in %d: %q of %d cells, want %q", c.text, c.width, got, cells(got), c.want)
		}
	}
}
