package supervisor

import (
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// TestLotInEitherForm: the machine executes the lines of the file with what is left out, and the run
// reports how many bytes that saved.
func TestLotInEitherForm(t *testing.T) {
	oneMachine(t)
	const file, bodyFirst, bodyLast = "../testdata/jobs/stake-clip.gcode", 23, 816 // read off the file by hand
	for name, form := range map[string]gcode.Form{"spaced": gcode.Spaced, "tight": gcode.Tight} {
		t.Run(name, func(t *testing.T) {
			var want []string
			perPart, outside := 0, map[int64]int{} // bytes left out of a part, and of the other lines
			for n, line := range readLines(t, file) {
				code, _, _ := strings.Cut(line, ";")
				if code = shortened(strings.TrimSpace(code)); form == gcode.Tight {
					code = closedUp(code)
				}
				switch {
				case code == "":
				case n+1 >= bodyFirst && n+1 <= bodyLast:
					want = append(want, code)
					perPart += len(line) - len(code)
				default:
					outside[int64(n+1)] = len(line) - len(code)
				}
			}
			inBubble(t, func(t *testing.T) {
				x := newRun(t, testRig(), testSettings())
				x.opts = testJobOptions()
				x.opts.Form = form
				x.start()
				x.until(Idle, time.Minute)
				plan := x.plan(file)
				x.do(Request{By: "test", Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{2}, Start: true}})
				shot := x.until(Complete, 24*time.Hour)
				if n := countRuns(x.rig.Record(), want); n != 2 {
					t.Errorf("the machine made the part %d times, want 2", n)
				}
				if got := plan.SentSourceBytes - plan.WireBytes; got != int64(perPart) {
					t.Errorf("%d bytes of a part saved by the plan, want %d", got, perPart)
				}
				all := 2 * perPart
				for _, c := range plan.Withheld {
					delete(outside, c.Line)
				}
				for _, n := range outside {
					all += n
				}
				if shot.Line.SavedBytes != int64(all) {
					t.Errorf("%d bytes saved, want %d", shot.Line.SavedBytes, all)
				}
				t.Logf("%d bytes saved, %d in each part", all, perPart)
				x.stop()
			})
		})
	}
}

// closedUp removes the blanks from a line except those before E words and after words with the number
// 0.
func closedUp(line string) string {
	out := ""
	for _, w := range strings.Fields(line) {
		if out != "" && (w[0] == 'E' || len(out) > 1 && out[len(out)-1] == '0' && out[len(out)-2] >= 'A') {
			out += " "
		}
		out += w
	}
	return out
}

// countRuns counts how often the lines were executed one after the other.
func countRuns(record []rig.Executed, want []string) int {
	var got []string
	for _, e := range record {
		if !ownLine.MatchString(e.Text) {
			got = append(got, e.Text)
		}
	}
	n := 0
	for k := 0; k+len(want) <= len(got); k++ {
		if slices.Equal(got[k:k+len(want)], want) {
			n++
			k += len(want) - 1
		}
	}
	return n
}
