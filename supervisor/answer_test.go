package supervisor

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/job"
)

// TestAnswersSayWhatHappensNext: an answer says when what was asked for happens and whether hands must stay
// away; a refusal names the state, why it is so, and what to do.
func TestAnswersSayWhatHappensNext(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := newRun(t, testRig(), testSettings())
		says := func(r Request, words ...string) {
			t.Helper()
			text := x.do(r).Text
			for _, w := range words {
				if !regexp.MustCompile(w).MatchString(text) {
					t.Errorf("%v: %q does not match %q", r.Command, text, w)
				}
			}
		}
		refuses := func(c Command, words ...string) {
			t.Helper()
			text := x.refuse(Request{Command: c}).Error()
			for _, w := range words {
				if !strings.Contains(text, w) {
					t.Errorf("%v: %q is not in %q", c, w, text)
				}
			}
		}
		steps := func() {
			t.Helper()
			s := x.s.Snapshot()
			for _, step := range s.Steps {
				if !strings.HasPrefix(step, "beltwarden ") || strings.Contains(step, ", ") {
					t.Errorf("%s: step %q is not one command line", s.State, step)
				}
			}
			if len(s.Steps) > 0 && !strings.HasSuffix(s.Advice, ": "+strings.Join(s.Steps, ", then ")) {
				t.Errorf("%s: steps %q do not end the advice %q", s.State, s.Steps, s.Advice)
			}
		}
		x.start()
		x.until(Idle, time.Minute)
		refuses(Start, "no lot is open", "beltwarden lot start")
		refuses(Hold, "the machine is Idle", "open a lot", "beltwarden lot start")
		steps()
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(clipJob)}, Good: []int{9}}})
		steps()
		says(Request{Command: Start}, "it heats", "keep your hands clear")
		refuses(Start, "wait until it is done", "possible now: ")
		x.until(Execute, time.Hour)
		x.untilDoing("making part 1")
		refuses(Start, "the machine is Execute (making part 1)")
		says(Request{Command: Hold}, `^hold after this part, (about \d+ minutes?|under 1 minute); until then keep your hands clear`)
		refuses(Unhold, "the machine is Holding")
		x.until(Held, time.Hour)
		refuses(Start, "the machine is Held (hold by", "let it go on: beltwarden unhold")
		refuses(Hold, "beltwarden unhold")
		steps()
		says(Request{Command: Unhold}, "keep your hands clear: it heats, then goes on with the lot")
		x.until(Execute, time.Hour)
		x.untilDoing("making part 2")
		says(Request{Command: Stop}, "heaters go off", "; part 2 is not finished")
		x.until(Stopped, time.Hour)
		refuses(Start, "the machine is Stopped (stop by", "beltwarden reset")
		refuses(Unhold, "the machine is Stopped", "beltwarden reset")
		steps()
		x.do(Request{Visit: &Visit{BeltCleared: true, Good: 1, Interrupted: "scrap"}})
		refuses(Start, "goes on at once: beltwarden reset --go-on")
		steps()
		says(Request{Command: Reset, Continue: true}, "nothing heats or moves until", "keep your hands clear")
		x.until(Execute, time.Hour)
		says(Request{Command: Abort}, "heaters go off first", "hot parts stay hot")
		x.until(Aborted, time.Hour)
		refuses(Start, "the machine is Aborted (abort by", "beltwarden check --belt-cleared", "beltwarden clear")
		steps()
		x.stop()
	})
}
