package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

func pageOf(t testing.TB, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.HTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func tableOf(t testing.TB, r *Report) [][]string {
	t.Helper()
	var b bytes.Buffer
	if err := r.CSV(&b); err != nil {
		t.Fatal(err)
	}
	if text := b.String(); strings.Count(text, "\n") != strings.Count(text, "\r\n") {
		t.Error("a line does not end with CRLF")
	}
	rows, err := csv.NewReader(&b).ReadAll() // refuses rows of another length
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// sound checks that a page is well formed, can be read by ear, and asks for nothing.
func sound(t *testing.T, page string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = true, xml.HTMLAutoClose, xml.HTMLEntity
	d.Strict = false
	var open []string
	heads, captions, tables, main := []string{}, 0, 0, 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("the page is not well formed: %v", err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			open = append(open, e.Name.Local)
			attribute := map[string]string{}
			for _, a := range e.Attr {
				attribute[a.Name.Local] = a.Value
				if n := strings.ToLower(a.Name.Local); strings.HasPrefix(n, "on") || n == "src" || n == "href" || n == "style" || n == "srcset" || n == "action" {
					t.Errorf("<%s %s=%q>", e.Name.Local, a.Name.Local, a.Value)
				}
			}
			switch name := e.Name.Local; name {
			case "script", "link", "iframe", "img", "object", "form", "a", "base":
				t.Errorf("the page has <%s>", name)
			case "h1", "h2", "h3":
				heads = append(heads, name)
			case "caption":
				captions++
			case "table":
				tables++
			case "main":
				main++
			case "th":
				if attribute["scope"] == "" {
					t.Error("a heading of a table says not of what")
				}
			case "svg":
				if attribute["role"] != "img" || attribute["aria-label"] == "" {
					t.Errorf("a picture without a name: %v", attribute)
				}
			case "html":
				if attribute["lang"] != "en" {
					t.Error("the page does not tell its language")
				}
			}
		case xml.EndElement:
			if n := len(open); n == 0 || open[n-1] != e.Name.Local {
				t.Fatalf("</%s> closes nothing: %v", e.Name.Local, open)
			}
			open = open[:len(open)-1]
		}
	}
	if len(open) != 0 {
		t.Errorf("left open: %v", open)
	}
	if main != 1 || captions != tables || len(heads) == 0 || heads[0] != "h1" || slices.Contains(heads[1:], "h1") {
		t.Errorf("%d main, %d captions for %d tables, headings %v", main, captions, tables, heads)
	}
	for i, h := range heads[1:] {
		if h[1] > heads[i][1]+1 {
			t.Errorf("%s follows %s", h, heads[i])
		}
	}
	if found := regexp.MustCompile(`NaN|\bInf\b|no value|%!`).FindString(page); found != "" {
		t.Errorf("the page has %q", found)
	}
	style := regexp.MustCompile(`(?s)<style>.*?</style>`).FindString(page)
	if found := regexp.MustCompile(`(?i)url\(|@import|https?:|expression`).FindString(style); found != "" || style == "" {
		t.Errorf("the style sheet has %q", found)
	}
	cells(t, page)
}

// cells checks that every row of a table has as many cells as its head.
func cells(t *testing.T, page string) {
	t.Helper()
	for _, table := range regexp.MustCompile(`(?s)<table>.*?</table>`).FindAllString(page, -1) {
		width := 0
		for _, row := range regexp.MustCompile(`(?s)<tr.*?</tr>`).FindAllString(table, -1) {
			n := len(regexp.MustCompile(`<t[hd][ >]`).FindAllString(row, -1))
			if width == 0 {
				width = n
			}
			if n != width {
				t.Errorf("a row of %d cells in a table of %d: %s", n, width, row)
			}
		}
	}
}

// everyLot are lots in every state that a report can be asked for.
func everyLot(t *testing.T) map[string]*Report {
	day := 24 * time.Hour
	empty := &book{lot: ledger.Lot{ID: 1, Name: "clips", Status: ledger.LotOpen, Order: ledger.OrderTurn, Jobs: []ledger.LotJob{{Name: "clip", GoodOrdered: 5, Path: "/a.gcode"}}},
		counts: ledger.Counts{LotID: 1, Ordered: 5, ByJob: []ledger.JobCounts{{Ordered: 5}}}}
	return map[string]*Report{
		"empty": empty.read(t, Settings{}, time.Minute), "clips": clips().read(t, workshopSettings, day), "pegs": pegs().read(t, workshopSettings, day),
		"pegs, nothing known": pegs().read(t, Settings{}, day), "in work": inWork().read(t, workshopSettings, 3000*time.Second),
		"three jobs": threeJobs().read(t, workshopSettings, day), "hostile": hostile().read(t, workshopSettings, day), "large": large().read(t, workshopSettings, 1000*day),
	}
}

func TestEveryPageIsSound(t *testing.T) {
	for name, r := range everyLot(t) {
		for _, r := range []*Report{r, r.Customer()} {
			t.Run(name+" for "+r.For, func(t *testing.T) {
				sound(t, pageOf(t, r))
				if _, err := json.Marshal(r); err != nil {
					t.Error(err)
				}
				if rows := tableOf(t, r); !slices.Equal(rows[0], r.columns()) || len(rows) < 5 {
					t.Errorf("%q", rows)
				}
			})
		}
	}
}

// inWork is the small lot half made: a part in progress, one not looked at, one not decided.
func inWork() *book {
	b := pegs()
	b.lot.Status, b.lot.Changed = ledger.LotOpen, b.lot.Opened
	b.cycles[3].State, b.cycles[3].Decided, b.cycles[3].Good = ledger.CycleStateInterrupted, ledger.Stamp{}, false
	b.cycles = append(b.cycles, ledger.Cycle{Seq: 6, LotID: 3, Ordinal: 6, State: ledger.CycleStateBegun, Begun: b.at(1950)})
	b.holds[0].Ended = ledger.Stamp{}
	b.checks = b.checks[:2]
	c := &b.counts
	c.CyclesBegun, c.Running, c.Made, c.Good, c.Scrap, c.InterruptedScrap, c.Interrupted, c.Unverified = 6, 1, 4, 2, 1, 0, 1, 1
	c.ScrapByReason = map[string]int{"stringing": 1}
	c.ByJob[0] = ledger.JobCounts{Ordered: 3, CyclesBegun: 6, Confirmed: 4, Made: 4, Interrupted: 1, CheckedGood: 2, CheckedScrap: 1}
	return b
}

func TestProvisional(t *testing.T) {
	r := inWork().read(t, workshopSettings, 3000*time.Second)
	page := pageOf(t, r)
	for _, want := range []string{"PROVISIONAL", "the lot is open: 2 of 3 ordered parts have been found good so far", "1 part made that nobody has looked at",
		"1 interrupted part not decided yet", "a part is being made", "Last part made so far", "Not decided yet", "it lasts"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if f := r.Workshop.Filament; f.AtMostMM != 2020+2*495 {
		t.Errorf("one part is interrupted and one in progress: %+v", f)
	}
	if h := r.Workshop.Holds[0]; h.LengthS != 2600 || !h.ByWall {
		t.Errorf("a hold that lasts: %+v", h)
	}
	page = pageOf(t, r.Customer())
	if !strings.Contains(page, "PROVISIONAL") || !strings.Contains(page, "the lot is in progress") || strings.Contains(page, "interrupted") {
		t.Errorf("for a customer: %s", page)
	}
	if page = pageOf(t, pegs().read(t, workshopSettings, time.Hour)); strings.Contains(page, "PROVISIONAL") {
		t.Error("a closed lot is called provisional")
	}
	given := pegs()
	given.lot.Status, given.lot.Reason, given.counts.Good = ledger.LotEnded, "the order was withdrawn", 2
	if page = pageOf(t, given.read(t, workshopSettings, time.Hour)); !strings.Contains(page, "the lot was given up: 2 of 3") || !strings.Contains(page, "the order was withdrawn") {
		t.Error("a lot that was given up does not say so")
	}
}

// threeJobs is a lot of one part of each job in turn, of which one was never measured.
func threeJobs() *book {
	b := pegs()
	b.lot.Order = ledger.OrderTurn
	b.lot.Jobs = append(b.lot.Jobs, ledger.LotJob{Index: 1, Name: "stake-clip", Path: "/srv/jobs/stake-clip.gcode", SHA256: "cd34", GoodOrdered: 1, FilamentMMPerCycle: 600},
		ledger.LotJob{Index: 2, Name: "label holder", Path: "/srv/jobs/label.gcode", SHA256: "ef56", GoodOrdered: 1, FilamentMMPerCycle: 700})
	b.cycles[1].JobIndex, b.cycles[2].JobIndex = 1, 2
	b.checks[2].JobIndex = ref(1)
	b.counts.ByJob = []ledger.JobCounts{{Ordered: 3, CyclesBegun: 3, Confirmed: 2, Made: 3, InterruptedScrap: 1, CheckedGood: 2, CheckedScrap: 1},
		{Index: 1, Ordered: 1, CyclesBegun: 1, Confirmed: 1, Made: 1, CheckedGood: 1}, {Index: 2, Ordered: 1, CyclesBegun: 1, Confirmed: 1, Made: 1}}
	return b
}

func TestThreeJobs(t *testing.T) {
	r := threeJobs().read(t, workshopSettings, time.Hour)
	for i, want := range []struct {
		good, cycles int
		median       float64
		lengths      int
	}{{2, 2, 110, 2}, {1, 1, 120, 2}, {0, 1, 80, 0}} {
		j := r.Jobs[i]
		n := 0
		if j.Size != nil {
			n = j.Size.N
		}
		if j.Number != i+1 || j.Good != want.good || j.Workshop.Cycle.N != want.cycles || j.Workshop.Cycle.Median != want.median || n != want.lengths {
			t.Errorf("job %d: %+v %+v, %d lengths", i+1, j, j.Workshop.Cycle, n)
		}
	}
	if r.Jobs[1].Size.Why != "no tolerance was ordered" || r.Jobs[1].Size.Ordered != nil {
		t.Errorf("%+v", r.Jobs[1].Size)
	}
	if p := r.cyclePicture(); strings.Count(string(p.SVG), ">stake-clip<") != 1 || strings.Count(string(p.SVG), ">label holder<") != 1 {
		t.Error("the picture of part-to-part times does not name the jobs")
	}
	// Filament of the files goes by job: 495 twice, 600, 700.
	near(t, "by the files", r.Workshop.Filament.FilesMM, 2*495+600+700)
}

// large is a lot of 10,000 parts with a visit after every 20.
func large() *book {
	b := &book{lot: ledger.Lot{ID: 9, Name: "drip-line pegs, season", Status: ledger.LotClosed, Jobs: []ledger.LotJob{{Name: "drip-peg", GoodOrdered: 10000, FilamentMMPerCycle: 100,
		PlannedRun: 100 * time.Second, PlannedWaits: true}}}}
	b.lot.Opened = b.at(0)
	b.state(0, "Execute")
	for n := range 10000 {
		s := float64(n) * 110
		b.part(0, s, s+90, s+100+float64(n%7), 100, 500)
		if n%20 == 19 {
			b.checks = append(b.checks, ledger.Check{ID: int64(len(b.checks) + 1), LotID: 9, JobIndex: ref(0), At: start, OffsetMM: ref(float64(n%60) / 60), Good: 20,
				LengthsMM: []float64{20 + float64(n%9)/100, 20.03}, TravelMM: float64(n) * 500, CyclesMade: n + 1, By: "Ada", Note: strings.Repeat("long ", 30)})
			b.events = append(b.events, ledger.Event{Stamp: b.at(s), Kind: "heat", Text: "heaters switched off; the belt keeps its position"})
		}
	}
	b.lot.Changed = b.at(2e6)
	b.times.Last = map[int64]ledger.Stamp{1: b.lot.Changed}
	b.counts = ledger.Counts{Ordered: 10000, CyclesBegun: 10000, Confirmed: 10000, Made: 10000, Good: 10000, ByJob: []ledger.JobCounts{{Ordered: 10000, CyclesBegun: 10000, Confirmed: 10000, Made: 10000, CheckedGood: 10000}}}
	b.course.ToMM = 5e6
	b.sizes = map[int]ledger.SizeOrdered{0: {LotID: 9, LengthMM: 20, ToleranceMM: 0.2}}
	return b
}

// A page stays small whatever the lot; figures and the other forms leave nothing out.
func TestLargeLot(t *testing.T) {
	r := large().read(t, workshopSettings, 24*time.Hour)
	if r.Workshop.Cycle.N != 10000 || r.Workshop.Cycle.Median != 103 || r.Jobs[0].Size.N != 1000 || len(r.Workshop.Parts) != 10000 {
		t.Errorf("%+v, %d sizes", r.Workshop.Cycle, r.Jobs[0].Size.N)
	}
	page := pageOf(t, r)
	if len(page) > 300_000 {
		t.Errorf("the page has %d bytes", len(page))
	}
	if !strings.Contains(page, "The newest 300 of 500 are shown") || !strings.Contains(page, "<td class=\"n\">10000</td>") {
		t.Error("the page does not say that rows are left out")
	}
	sections := map[string]int{}
	for _, line := range tableOf(t, r) {
		sections[line[0]]++
	}
	if sections["part"] != 10000 || sections["visit"] != 500 || sections["event"] != 500 || sections["length"] != 1000 || sections["offset"] != 500 {
		t.Errorf("%v", sections)
	}
	t.Logf("page %d bytes", len(page))
}

// The signals and limits of a report are those of the run: learned again once the
// belt's scale was set, signals under the limits that held then.
func TestControlAfterAChangeOfScale(t *testing.T) {
	var checks []ledger.Check
	add := func(travel float64, lengths ...float64) {
		checks = append(checks, ledger.Check{ID: int64(len(checks) + 1), JobIndex: ref(0), LengthsMM: lengths, TravelMM: travel})
	}
	var steady []float64
	for i := range 20 {
		steady = append(steady, 20+float64(i%3)/100)
	}
	add(100, steady...)
	add(200, 21) // beyond every limit
	c := controlFrom(checks, 0, nil)
	if c.Phase != "frozen" || c.From != 1 || len(c.Signals) == 0 || c.Signals[0].Length != 21 || !(c.LowerMM < 20 && c.UpperMM > 20.02) {
		t.Errorf("%+v", c)
	}
	scale := []ledger.ScaleSet{{TravelMM: 150, NewStepsPerMM: 81}}
	if c = controlFrom(checks, 0, scale); c.Phase != "learning" || c.From != 21 || c.Missing != 19 || len(c.Signals) != 0 {
		t.Errorf("after a change of scale: %+v", c)
	}
	if c = controlFrom(checks, 1, scale); !reflect.DeepEqual(c, Control{Signals: []Signal{}}) {
		t.Errorf("another job: %+v", c)
	}
}

// A hold over a restart of the daemon is measured by the wall clock, and says so.
func TestHoldOverARestart(t *testing.T) {
	b := pegs()
	ended := &b.holds[0].Ended
	ended.Boot, ended.SinceStart = 2, time.Second
	b.times.Last = map[int64]ledger.Stamp{1: b.holds[0].Begun, 2: *ended}
	h := b.read(t, Settings{}, time.Hour).Workshop.Holds[0]
	if h.LengthS != 600 || !h.ByWall {
		t.Errorf("%+v", h)
	}
	right := *ended
	for _, years := range []int{5, -5, -56} { // the clock was set between the starts: what is certain is shown
		moved := right
		moved.At = right.At.AddDate(years, 0, 0)
		b.holds[0].Ended, b.times.Last[2] = moved, moved
		if h := b.read(t, Settings{}, time.Hour).Workshop.Holds[0]; h.LengthS != 1 || !h.ByWall {
			t.Errorf("clock set by %d years: %+v", years, h)
		}
	}
	b.holds[0].Ended, b.times.Last[2] = right, right
	b.cycles[0].Discharged.Boot = 2
	if c := b.read(t, Settings{}, time.Hour).Workshop.Cycle; c.N != 3 {
		t.Errorf("a cycle over a restart has a time: %+v", c)
	}
	b.cycles[1].Evidence = ledger.EvidenceLineNumber
	if m := b.read(t, Settings{}, time.Hour).Jobs[0].Workshop.Making; m.N != 3 {
		t.Errorf("a part counted by its line number has a time: %+v", m)
	}
}

// The events of a report are those between the opening of its lot and its end.
func TestEventsOfTheLot(t *testing.T) {
	b := pegs()
	b.lot.Opened.Seq, b.lot.Changed.Seq = 10, 5000
	for _, seq := range []int64{9, 10, 11, 5000, 5001} {
		b.events = append(b.events, ledger.Event{Stamp: ledger.Stamp{Seq: seq}, Kind: "heat", Text: fmt.Sprint(seq)})
	}
	for seq := int64(12); seq < 2600; seq++ { // more than are read at a time
		b.events = append(b.events, ledger.Event{Stamp: ledger.Stamp{Seq: seq}})
	}
	slices.SortFunc(b.events, func(a, b ledger.Event) int { return int(a.Stamp.Seq - b.Stamp.Seq) })
	list := b.read(t, Settings{}, time.Hour).Workshop.Events
	if len(list) != 3+2588 || list[0].Text != "10" || list[len(list)-1].Text != "5000" {
		t.Errorf("%d events, %+v to %+v", len(list), list[0], list[len(list)-1])
	}
}

func TestProductionNamesAreTheStandards(t *testing.T) {
	page := pageOf(t, pegs().read(t, workshopSettings, time.Hour))
	for _, want := range []string{"ISO 22400-2", "Availability", "Effectiveness", "Quality ratio", "OEE", "27.2\u00a0%", "95.8\u00a0%", "60.0\u00a0%", "15.6\u00a0%"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	p := supervisor.Production{Why: "no part was made yet"}
	if figures(&p) != nil || figureNotes(&p) != nil {
		t.Error("figures without any")
	}
}
