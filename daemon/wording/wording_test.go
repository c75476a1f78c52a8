package wording

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/quality"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.Local)

// running is a run in the middle of a lot.
func running() *supervisor.Snapshot {
	offset := 1.25
	return &supervisor.Snapshot{
		At: noon, Machine: "clip machine", State: supervisor.Execute, Since: noon.Add(-5 * time.Minute),
		Doing: "making part 4", Accepts: []string{"stop", "hold", "suspend", "abort", "complete"},
		Lot: &supervisor.LotView{ID: 7, Name: "clips for the north house", Status: "open", Ordered: 40, Made: 3, Good: 1,
			Scrap: 1, Unverified: 1, Begun: 4, Wanted: 38, Part: 4, PartBegun: noon.Add(-3 * time.Minute),
			PartTakes: 12 * time.Minute, DoneEarly: noon.Add(7 * time.Hour), DoneAt: noon.Add(8 * time.Hour), DoneLate: noon.Add(9 * time.Hour)},
		Belt: supervisor.BeltView{TravelMM: 12345, SinceRealignMM: 5400, SinceCheckMM: 1800, UncertainMM: 3,
			OffsetMM: &offset, WorstOffsetMM: 1.5, OffsetLimitMM: 3},
		Heat: supervisor.HeatView{NozzleC: 204.6, NozzleTargetC: 205, BedC: 41, HasNozzle: true, HasBed: true, Read: noon},
		Line: supervisor.LineView{Port: "/dev/serial/by-id/usb-belt_machine_board-if00", Connected: true},
		Next: &supervisor.NextVisit{Reason: "check_parts", Text: "1 parts since the last check; one is due every 6", Parts: 5, At: noon.Add(55 * time.Minute)},
	}
}

// Every answer that the status owes stands in it, the visit first.
func TestStatusAnswers(t *testing.T) {
	text := strings.Join(FullStatus(running(), Style{Width: 80}), "\n")
	if !strings.HasPrefix(text, "Making. Next visit 12:55: check\nNext visit   about 12:55 (in 55 min), after 5 more parts\n") {
		t.Errorf("it does not begin with headline and next visit:\n%s", text)
	}
	flat := strings.Join(strings.Fields(text), " ")
	for _, want := range []string{
		"one is due every 6. By then 7 of 40 good parts", // 1 good + 1 not looked at + 5 more
		"clip machine: Execute for 5 min (since 11:55)", "doing making part 4",
		"1 good, 1 not looked at, 1 scrap; 40 ordered",
		"cycle 4 |=====...............| 25 %, about 9 min left", // 3 of 12 minutes
		"5.400 m since realignment, 1.800 m since the last check",
		"+1.2 mm at the last check; at worst 1.5 mm by now; limit 3.0 mm",
		"0.003 m uncertain",
		"nozzle 205 of 205 °C; bed 41 °C, off", "board-if00: connected", "stop, hold, suspend, abort, complete",
	} {
		if !strings.Contains(flat, want) {
			t.Errorf("%q is missing in:\n%s", want, text)
		}
	}
}

func TestStatusSaysWhenToComeNow(t *testing.T) {
	for state, want := range map[supervisor.State]string{
		supervisor.Held: "now: the machine waits for you", supervisor.Suspended: "now: the machine waits for you",
		supervisor.Aborted: "now: the machine has aborted", supervisor.Complete: "now: count the lot's parts",
		supervisor.Holding: "as soon as the part in progress is off the belt",
	} {
		s := running()
		s.State = state
		if got := Status(s, Style{Width: 80})[1]; got != "Next visit   "+want {
			t.Errorf("%s: %q", state, got)
		}
	}
	s := running()
	s.State, s.HeatFault = supervisor.Aborted, "nozzle does not follow its heater"
	if got := Status(s, Style{Width: 80})[1]; got != "Next visit   now: switch the machine off at the mains" {
		t.Errorf("a heat fault: %q", got)
	}
	s = running()
	s.State, s.Lot.Good, s.Lot.Unverified = supervisor.Complete, 2, 0
	if got := Status(s, Style{Width: 80})[1]; got != "Next visit   none is due: every part of the lot is counted" {
		t.Errorf("counted: %q", got)
	}
	s.State, s.Next, s.Lot = supervisor.Idle, nil, nil
	if got := Status(s, Style{Width: 80})[1]; got != "Next visit   none is due: no lot is running" {
		t.Errorf("idle: %q", got)
	}
}

// A board that cannot be reached while its heaters may be on is said whatever the
// state, and calls for someone even where the run is stopped.
func TestStatusSaysThatHeatersMayBeOn(t *testing.T) {
	s := running()
	s.State, s.Heat.Unsure, s.Line.Connected = supervisor.Stopped, true, false
	text := strings.Join(FullStatus(s, Style{Width: 200}), "\n")
	if !strings.HasPrefix(text, "CUT THE MAINS. Board out of reach, heaters may be on; nozzle read 205 °C\nNext visit   now: switch the machine off at the mains\n") || !strings.Contains(text, "the heaters may be on and the board cannot be reached") {
		t.Errorf("it does not say so:\n%s", text)
	}
}

// TestStatusNamesTheCommand that would help with the port, which no page shows.
func TestStatusNamesTheCommand(t *testing.T) {
	s := running()
	s.Line = supervisor.LineView{Port: "/dev/x", Problem: "no permission; let the user in", Command: "usermod USER"}
	if text := strings.Join(strings.Fields(strings.Join(FullStatus(s, Style{Width: 80}), " ")), " "); !strings.Contains(text, "let the user in: usermod USER") {
		t.Errorf("no command in %s", text)
	}
}

// What would make the line faster is shown while the board is connected.
func TestStatusTellsTheHint(t *testing.T) {
	s := running()
	s.Line.Stats.Hint = "a window would be faster"
	if text := strings.Join(FullStatus(s, Style{Width: 200}), "\n"); !strings.Contains(text, "speed      a window would be faster") {
		t.Errorf("no hint:\n%s", text)
	}
}

// With checks enough the drift is shown with its doubt, and what does not fit.
func TestStatusTellsTheDrift(t *testing.T) {
	s := running()
	mm, rate, se, limit := 0.9, -0.031, 0.004, 58200.0
	s.Belt.Drift = belt.Forecast{N: 4, Basis: belt.OnReadings, Drive: belt.ByTravel, OffsetMM: &mm, RateMMPerM: &rate, Rate95MMPerM: &[2]float64{rate - 2*se, rate + 2*se},
		TravelToLimitMM: &limit, TravelToLimitLower95MM: 41300, Flagged: []belt.Flag{{OffsetMM: 13, TravelMM: 7000, ExpectedMM: 1.2}}}
	flat := strings.Join(strings.Fields(strings.Join(FullStatus(s, Style{Width: 80}), "\n")), " ")
	for _, want := range []string{
		"offset +1.2 mm at the last check; limit 3.0 mm",
		"drift 0.031 mm/m to the left (± 0.008), by 4 checks; the limit in about 58.2 m, with 95 % certainty not before 41.3 m",
		"doubtful the offset +13.00 mm at 7.000 m does not fit the others, which predict +1.20 mm; measure again, or correct the check",
	} {
		if !strings.Contains(flat, want) {
			t.Errorf("%q is missing in:\n%s", want, flat)
		}
	}
}

func TestStatusTellsTheSeam(t *testing.T) {
	s := running()
	s.Belt.LoopMM, s.Belt.SeamMM = 1200, 20
	ahead := -130.4
	for want, set := range map[string]func(){
		"position unknown": func() {}, "130 mm behind the nozzle, ± 4 mm": func() { s.Belt.SeamAheadMM, s.Belt.SeamDoubtMM = &ahead, 4.2 },
		"position uncertain; enter it again at a visit (beltwarden check --seam-mm": func() { s.Belt.SeamAheadMM, s.Belt.SeamDoubtMM = &ahead, 300 },
	} {
		s.Belt.SeamAheadMM = nil
		set()
		if text := strings.Join(strings.Fields(strings.Join(FullStatus(s, Style{Width: 80}), " ")), " "); !strings.Contains(text, want) {
			t.Errorf("%q is missing in %s", want, text)
		}
	}
}

func TestStatusTellsSizesAndYield(t *testing.T) {
	s := running()
	s.Lot.Yield = &book.Yield{Cycles: 44, Yield: 0.9}
	s.Lot.Jobs = []supervisor.JobView{{Name: "clip", Size: &book.Size{N: 7, Phase: quality.Learning, Missing: 13, NewestMM: 20.013}},
		{Name: "peg", Size: &book.Size{N: 30, Phase: quality.Frozen, NewestMM: 11.98, MeanMM: 12, LowerMM: 11.9, UpperMM: 12.1}}}
	flat := strings.Join(strings.Fields(strings.Join(FullStatus(s, Style{Width: 80}), " ")), " ")
	for _, want := range []string{
		"done about 20:00, between 19:00 and 21:00 with 95 % certainty; holds not counted; 38 parts still to begin",
		"yield have filament for 44 more parts, not 38: with 95 % certainty they are enough; by the parts looked at, 90 % come out good",
		"size clip: 7 lengths, the newest 20.01 mm; limits need 13 more", "size peg: the newest 11.98 mm; mean 12.00, limits 11.90 to 12.10 mm",
	} {
		if !strings.Contains(flat, want) {
			t.Errorf("%q is missing in %s", want, flat)
		}
	}
}

func TestStatusTellsTheSupply(t *testing.T) {
	s := running()
	left, bin := 120.4, 34
	s.Supply = supervisor.SupplyView{SpoolLeftG: &left, PartG: 2.5, Binned: &bin, BinHolds: 100}
	if text := strings.Join(FullStatus(s, Style{Width: 100}), "\n"); !strings.Contains(text, "Supply       spool 120 g left, for 48 parts; bin 34 parts of 100") {
		t.Error(text)
	}
}

// No line is wider than the screen, and nothing but bold is sent to a terminal.
func TestWidths(t *testing.T) {
	bold := regexp.MustCompile("\x1b\\[[01]m")
	s := running()
	s.Machine = "clip\x1b[2Jmachine\nof the workshop " + strings.Repeat("long", 40)
	s.Cause.Text = "the board said \x07 something \u202e odd"
	lot := &client.LotDetail{LotSummary: client.LotSummary{ID: 3, Name: strings.Repeat("n", 200), Reason: "ended by someone",
		Jobs: []client.JobTally{{Path: "/" + strings.Repeat("p", 150), Name: "clip"}}}, ScrapByReason: map[string]int{"warped": 2},
		Holds:  []client.Hold{{ID: 1, Reason: "check_parts", Text: "6 parts since the last check", AtPart: 6}},
		Checks: []client.Check{{ID: 1, Note: "edge curled", Scrap: map[string]int{"warped": 2}, LengthsMM: []float64{19.98}}}}
	plan := &job.Plan{Path: strings.Repeat("j", 120), SHA256: strings.Repeat("a", 64),
		Withheld: []job.Change{{Line: 123456, Text: "M84", Why: strings.Repeat("why ", 50), Section: job.LeadOut}},
		Findings: []job.Finding{{Severity: job.Warning, Text: "no bed temperature", Remedy: "set one"}, {Line: 3, Severity: job.Error, Text: "too hot"}}}
	for _, width := range []int{1, 40, 53, 80, 100, 300} {
		for _, strong := range []bool{false, true} {
			st := Style{Width: width, Terminal: true, Bold: strong}
			for _, l := range slices.Concat(Status(s, st), FullStatus(s, st), Lots([]client.LotSummary{lot.LotSummary}, st), Lot(lot, st), Plan(plan, Setting{Around: plan.Withheld, HeatUnknown: "heat it first"}, st)) {
				plain := bold.ReplaceAllString(l, "")
				if plain != l && !strong {
					t.Errorf("bold in a plain screen: %q", l)
				}
				if strings.ContainsAny(plain, "\x1b\n\r\x07\u202e") {
					t.Errorf("a control character comes through: %q", l)
				}
				if n := utf8.RuneCountInString(plain); n > max(width, 54) && n > st.width() {
					t.Errorf("width %d: a line of %d: %q", width, n, l)
				}
			}
		}
	}
}

// The verdict of a job follows its gravest finding.
func TestPlanVerdict(t *testing.T) {
	for want, findings := range map[string][]job.Finding{
		"it can run":                           {{Severity: job.Info}},
		"it can run; read the 1 warning first": {{Severity: job.Warning}, {Severity: job.Info}},
		"it must not run: 2 errors":            {{Severity: job.Warning}, {Severity: job.Error}, {Severity: job.Error}},
	} {
		lines := Plan(&job.Plan{Findings: findings}, Setting{}, Style{Width: 80})
		if got := lines[len(lines)-1]; got != "Verdict      "+want {
			t.Errorf("%v: %q, want %q", findings, got, want)
		}
	}
}

// What is not sent of a part is shown as a share of what stands in the file.
func TestPlanTellsWhatIsSaved(t *testing.T) {
	for want, p := range map[string]*job.Plan{
		"  wire       858.1 kB of 935.2 kB, 8 % less":      {SentSourceBytes: 935154, WireBytes: 858101},
		"  wire       934.9 kB of 935.2 kB, 0.02 % less":   {SentSourceBytes: 935154, WireBytes: 934931},
		"  wire       1913 bytes of 2512 bytes, 24 % less": {SentSourceBytes: 2512, WireBytes: 1913},
		"  wire       1913 bytes":                          {SentSourceBytes: 1913, WireBytes: 1913},
	} {
		if lines := Plan(p, Setting{}, Style{Width: 80}); !slices.Contains(lines, want) {
			t.Errorf("no line %q in %q", want, lines)
		}
	}
}

// A change is shown once, and a picture without one is silent.
func TestChange(t *testing.T) {
	s := running()
	first := Change(nil, s)
	if !strings.Contains(first, "12:00:00  Execute") || !strings.Contains(first, "3 made: 1 good") {
		t.Errorf("at first: %q", first)
	}
	again := running()
	again.At = noon.Add(time.Second)
	if got := Change(s, again); got != "" {
		t.Errorf("nothing has changed: %q", got)
	}
	again.Lot.Made++
	if got := Change(s, again); got != "12:00:01  lot 7 open, 4 made: 1 good, 2 not looked at, 1 scrap; 40 ordered" {
		t.Errorf("a part more: %q", got)
	}
}

func TestSpan(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Second: "under 1 s", 59 * time.Second: "59 s", 3 * time.Minute: "3 min",
		100 * time.Minute: "1 h 40 min", 50 * time.Hour: "2 d 2 h",
	} {
		if got := Span(d); got != want {
			t.Error(fmt.Sprint(d), got, want)
		}
	}
}
