package screen

import (
	"context"
	"encoding/xml"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/bed"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// script plays the run: it keeps what it was asked and answers as set.
type script struct {
	quote *supervisor.Quote
	mu    sync.Mutex
	shot  *supervisor.Snapshot
	asked []supervisor.Request
	err   error
	after int // err comes after so many requests
}

func (s *script) Snapshot() *supervisor.Snapshot {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.shot
}

func (s *script) show(shot *supervisor.Snapshot) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.shot = shot
}

func (s *script) Do(_ context.Context, r supervisor.Request) (supervisor.Result, error) {
	if r.Quote != nil { // it only asks
		return supervisor.Result{Quote: s.quote}, nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked = append(s.asked, r)
	if len(s.asked) <= s.after {
		return supervisor.Result{LotID: 7, Text: "done"}, nil
	}
	return supervisor.Result{LotID: 7, Text: "done"}, s.err
}

// hostile is a name that would be a script, if it ever stood in a page as it is.
const hostile = `<script>alert("1")</script>'"><img src=x onerror=alert(1)>`

type bench struct {
	http.Handler
	run    *script
	looks  bool // the caller may only look
	ledger *ledger.Ledger
}

func setUp(t testing.TB, alter ...func(*Options)) *bench {
	t.Helper()
	l, err := ledger.Open(filepath.Join(t.TempDir(), "l.db"), ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	if err := l.Commit(t.Context(), ledger.EventNoted{Kind: "lot", Text: hostile}); err != nil {
		t.Fatal(err)
	}
	b := &bench{run: &script{shot: snapshot(supervisor.Held)}, ledger: l}
	o := Options{Run: b.run, Ledger: l, Jobs: &folder{files: map[string]string{}}, Log: zap.NewNop(), Version: "test",
		Lots: func(context.Context) ([]client.LotSummary, error) {
			return []client.LotSummary{{ID: 7, Name: hostile, Status: "open"}}, nil
		},
		Lot: func(_ context.Context, id int64) (*client.LotDetail, error) {
			if id != 7 {
				return nil, ledger.ErrNotFound
			}
			good := 0.4
			return &client.LotDetail{LotSummary: client.LotSummary{ID: 7, Name: hostile, Status: "open", Jobs: []client.JobTally{{Name: hostile}}},
				ScrapByReason: map[string]int{hostile: 2}, Checks: []client.Check{{ID: 1, By: hostile, OffsetMM: &good, Note: hostile, CorrectedBy: 2}},
				Holds: []client.Hold{{Text: hostile, By: hostile, Override: hostile}}, Cycles: make([]client.Cycle, mostCycles+3)}, nil
		},
		Inspect: func(ctx context.Context, path string, part job.Lines) (*job.Plan, error) {
			return job.Inspect(ctx, path, job.Options{BeltAxis: gcode.Y, Forward: 1, GapMM: 10, ToDropMM: 220, Part: part}, nil)
		},
		Operates: func(*http.Request) bool { return !b.looks },
		LogOut:   func(*http.Request) bool { return true },
		Slowly:   func(_ http.ResponseWriter, r *http.Request) io.ReadCloser { return r.Body },
		Who: func(_ *http.Request, said string) string {
			if said == "" {
				return "somebody"
			}
			return said
		},
		Alerts: func(context.Context) ([]client.Receiver, error) {
			return []client.Receiver{{Name: "phone", Configured: true, Kind: "service", Level: 1, Pending: 2, Failing: 1, LastError: hostile, Oldest: &client.Stamp{At: time.Now()}},
				{Name: "foreman", Configured: true, Kind: "mail", Level: 2, KeptBack: 1}, {Name: "old", Delivered: 3}}, nil
		},
		TestAlert: func(_ context.Context, receiver string) error {
			return errors.New("nobody answers at " + receiver)
		},
	}
	for _, a := range alter {
		a(&o)
	}
	b.Handler = New(o)
	return b
}

// snapshot is a run in a state, with everything that the screen can show.
func snapshot(state supervisor.State) *supervisor.Snapshot {
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.Local)
	offset, seam, spool, binned := 0.8, 120.0, 740.0, 12
	rate, se := 0.04, 0.01
	s := &supervisor.Snapshot{At: at, Machine: hostile, State: state, Since: at.Add(-time.Hour), Cause: supervisor.Cause{Code: "check_parts", Text: hostile},
		Accepts: []string{}, Advice: "go on with: beltwarden unhold",
		Next: &supervisor.NextVisit{Reason: "check_parts", Text: "a check is due", Parts: 8, At: at.Add(40 * time.Minute), Early: at.Add(36 * time.Minute),
			Late: at.Add(45 * time.Minute), Bring: []string{hostile}},
		Later: []supervisor.NextVisit{{Reason: "offset_limit", Parts: 20, At: at.Add(3 * time.Hour)}},
		Lot: &supervisor.LotView{ID: 7, Name: hostile, Status: ledger.LotOpen, Ordered: 40, Made: 12, Good: 5, Scrap: 1, Unverified: 6, Wanted: 28, Interrupted: 1, Part: 13,
			PartBegun: at.Add(-time.Minute), PartTakes: 3 * time.Minute, DoneAt: at.Add(3 * time.Hour), SizeSignal: hostile,
			Jobs: []supervisor.JobView{{Name: hostile, Ordered: 40, Made: 12, Good: 5, Size: &book.Size{N: 3, Missing: 17, Phase: "learning", NewestMM: 36.1, ValuesMM: []float64{36.0, 36.2, 36.1}}}}},
		Belt: supervisor.BeltView{TravelMM: 60000, AdvanceMM: 800, SinceRealignMM: 30000, SinceCheckMM: 9000, UncertainMM: 12, OffsetMM: &offset, OffsetLimitMM: 3,
			ToDropMM: 250, LoopMM: 2400, SeamMM: 30, SeamAheadMM: &seam, SeamDoubtMM: 4,
			Drift:    belt.Forecast{N: 3, Basis: belt.OnReadings, OffsetMM: &offset, RateMMPerM: &rate, Rate95MMPerM: &[2]float64{rate - se, rate + se}, TravelToLimitLower95MM: 30000},
			Readings: []belt.Reading{{TravelMM: 30000}, {TravelMM: 45000, OffsetMM: 0.5}, {TravelMM: 60000, OffsetMM: 0.8}},
			Outlook:  belt.Outlook{LimitMM: 3, WorstMMPerM: 0.05, Certainty: 0.99},
			Parts:    []bed.Place{{Cycle: 1, Ordinal: 1, RearMM: 40, FrontMM: 60, XMM: [2]float64{10, 40}}, {Cycle: 2, Making: true, RearMM: -10, FrontMM: 5, XMM: [2]float64{10, 40}}}},
		Heat:   supervisor.HeatView{NozzleC: 209, NozzleTargetC: 210, BedC: 60, HasNozzle: true, HasBed: true, Read: at},
		Supply: supervisor.SupplyView{SpoolLeftG: &spool, PartG: 1.5, Binned: &binned, BinHolds: 60},
		Line:   supervisor.LineView{Port: "/dev/serial/by-id/usb-belt", Connected: true, Firmware: "FIRMWARE_NAME:" + hostile + " PROTOCOL_VERSION:1.0"}}
	for _, c := range supervisor.Commands() {
		if _, ok := supervisor.Transition(state, c); ok {
			s.Accepts = append(s.Accepts, strings.ToLower(c.String()))
		}
	}
	return s
}

func (b *bench) get(path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	b.ServeHTTP(w, httptest.NewRequest("GET", path, nil))
	page, _, _ := strings.Cut(path, "?")
	if to := w.Header().Get("Location"); w.Code == http.StatusSeeOther && strings.HasPrefix(to, page+"?key=") { // of a form
		return b.get(to)
	}
	return w
}

func (b *bench) post(path string, fields ...string) *httptest.ResponseRecorder {
	v := url.Values{}
	for i := 0; i < len(fields); i += 2 {
		v.Add(fields[i], fields[i+1])
	}
	r := httptest.NewRequest("POST", path, strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	return w
}

// sound holds a page to what every page must be: closed elements, no id twice, nothing that
// the policy of the pages forbids (styles, scripts and handlers in the page, other hosts),
// and so no text from outside taken for markup.
func sound(t *testing.T, page string) {
	t.Helper()
	if strings.Contains(page, "ZgotmplZ") {
		t.Error("a text stands where it cannot")
	}
	seen := map[string]bool{}
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Errorf("the page is not well formed: %v", err)
			return
		}
		e, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		hasSource := false
		for _, a := range e.Attr {
			name := a.Name.Local
			hasSource = hasSource || name == "src"
			switch {
			case name == "style", strings.HasPrefix(name, "on"):
				t.Errorf("<%s> has %s", e.Name.Local, name)
			case (name == "href" || name == "src" || name == "action") && !strings.HasPrefix(a.Value, "/") && !strings.HasPrefix(a.Value, "#"):
				t.Errorf("<%s> leads to %q", e.Name.Local, a.Value)
			case name == "id" && seen[a.Value]:
				t.Errorf("id %q stands twice", a.Value)
			case name == "id":
				seen[a.Value] = true
			}
		}
		if name := e.Name.Local; name == "style" || name == "img" || name == "script" && !hasSource {
			t.Errorf("there is a <%s> in the page", name)
		}
	}
}

// TestEveryPageInEveryState: each page is made, whatever the machine does, and whatever
// names and texts it holds.
func TestEveryPageInEveryState(t *testing.T) {
	b := setUp(t)
	for state := supervisor.Clearing; state <= supervisor.Complete; state++ {
		full := snapshot(state)
		bare := &supervisor.Snapshot{At: full.At, State: state, Accepts: full.Accepts}
		for _, shot := range []*supervisor.Snapshot{full, bare} {
			b.run.show(shot)
			for _, looks := range []bool{false, true} {
				b.looks = looks
				for _, path := range []string{"/", "/visit", "/lots", "/lots/7", "/lots/new", "/events", "/alerts", "/command/hold", "/command/stop", "/command/unhold"} {
					w := b.get(path)
					if only := path == "/visit" || path == "/lots/new" || strings.HasPrefix(path, "/command"); looks && only {
						if w.Code != http.StatusForbidden {
							t.Errorf("%s %s: one who only looks gets %d", state, path, w.Code)
						}
						continue
					}
					if w.Code != http.StatusOK {
						t.Errorf("%s %s: %d %s", state, path, w.Code, w.Body)
						continue
					}
					sound(t, w.Body.String())
					if looks && regexp.MustCompile(`<form[^>]*action="/(command|visit|lots|alerts)`).MatchString(w.Body.String()) {
						t.Errorf("%s %s: there is a form for one who only looks", state, path)
					}
					if !strings.Contains(w.Body.String(), state.String()) && path == "/" {
						t.Errorf("%s is not named on the screen", state)
					}
				}
			}
		}
	}
}

// TestBeltTellsPartsApart: each kind of part that is there has its sign and its name, and no other.
func TestBeltTellsPartsApart(t *testing.T) {
	s := snapshot(supervisor.Held)
	s.Lot.Unverified = 2
	s.Belt.Parts = nil
	for i := range 6 {
		s.Belt.Parts = append(s.Belt.Parts, bed.Place{Cycle: int64(i + 1), LotID: 7, Ordinal: i + 1, RearMM: 200 - 40*float64(i), FrontMM: 220 - 40*float64(i), XMM: [2]float64{10, 40}})
	}
	s.Belt.Parts[5].Interrupted = true
	s.Belt.NextPart = &bed.Place{LotID: 7, RearMM: -20, XMM: [2]float64{10, 40}}
	sc := &screen{}
	svg := sc.beltOf(s).SVG
	for _, want := range []string{">not looked at: 2<", ">looked at: 3<", ">interrupted<", ">next part<", ">part 5<"} {
		if !strings.Contains(svg, want) {
			t.Errorf("%q is missing in %s", want, svg)
		}
	}
	if strings.Contains(svg, ">being made") {
		t.Error("the legend names what is not there")
	}
	s.Belt.Parts, s.Belt.NextPart = []bed.Place{{Cycle: 9, Making: true, RearMM: -10, FrontMM: 5}}, nil
	if svg := sc.beltOf(s).SVG; !strings.Contains(svg, ">being made<") || strings.Contains(svg, "looked at<") || strings.Contains(svg, ">interrupted<") {
		t.Error(svg)
	}
}

// TestFirstPageIsSmall: the screen with its style sheet, script and icon, as an old browser
// gets it, is under 100 kB.
func TestFirstPageIsSmall(t *testing.T) {
	b := setUp(t)
	total := b.get("/").Body.Len()
	for _, name := range []string{"screen.css", "screen.js", "icon.svg"} {
		w := b.get("/static/" + name + "?v=" + assetVersion)
		if w.Code != http.StatusOK || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
			t.Errorf("%s: %d %v", name, w.Code, w.Header())
		}
		total += w.Body.Len()
	}
	if total > 100_000 {
		t.Errorf("the first page takes %d bytes", total)
	}
	if w := b.get("/static/screen.css"); strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
		t.Error("a file without its version is kept for ever")
	}
	for _, path := range []string{"/static/x", "/static/..%2fscreen.go", "/nothing"} {
		if w := b.get(path); w.Code != http.StatusNotFound {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
}

// TestNobodyWhoLooksOperates: no form is carried out for one who may only look.
func TestNobodyWhoLooksOperates(t *testing.T) {
	b := setUp(t)
	b.looks = true
	for _, path := range []string{"/visit", "/command", "/lots", "/lots/new", "/lots/7/end", "/alerts/test"} {
		if w := b.post(path, "command", "abort"); w.Code != http.StatusForbidden {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	if len(b.run.asked) != 0 {
		t.Errorf("the run was asked %+v", b.run.asked)
	}
}

// folder keeps jobs in memory, on files of the test.
type folder struct {
	files map[string]string // name to path
	order []string
	err   error
}

func (f *folder) Put(_ context.Context, name string, r io.Reader) (JobFile, error) {
	if _, err := io.Copy(io.Discard, r); err != nil {
		return JobFile{}, err
	}
	f.order = append(f.order, name)
	return JobFile{Name: name}, f.err
}

func (f *folder) List() (list []JobFile, err error) {
	for _, name := range slices.Backward(f.order) {
		list = append(list, JobFile{Name: name})
	}
	return list, nil
}

func (f *folder) Hold() func() { return func() {} }

func (f *folder) Path(name string) (string, error) {
	if path, ok := f.files[name]; ok {
		return path, nil
	}
	return "", errors.New("there is no job " + name)
}

func (f *folder) LimitBytes() int64 { return 1000 }

// TestAHeatFaultIsSwitchedOffFirst: after a heat fault the page begins with the mains, whatever else
// there is to do, and does not call off what no reading has shown.
func TestAHeatFaultIsSwitchedOffFirst(t *testing.T) {
	s := snapshot(supervisor.Aborted)
	s.HeatFault = "nozzle does not follow its heater"
	s.Heat.Proof, s.Heat.Proved = "not yet shown to be off by falling readings", false
	v := nextOf(s)
	if v.MainsOff == "" || len(v.Do) == 0 || !strings.HasPrefix(v.Do[0], "Switch the machine off at the mains") || strings.Contains(v.Meaning, "off") {
		t.Errorf("mains %q, %q, do %q", v.MainsOff, v.Meaning, v.Do)
	}
	s.Heat.Proof, s.Heat.Proved = "shown to be off", true
	if v := nextOf(s); v.MainsOff != "" || !strings.HasPrefix(v.Do[0], "Switch the machine off at the mains") || !strings.Contains(v.Meaning, "shown to be off") {
		t.Errorf("once shown: mains %q, %q, do %q", v.MainsOff, v.Meaning, v.Do)
	}
	if v := nextOf(snapshot(supervisor.Stopped)); strings.Contains(v.Meaning, "off") {
		t.Errorf("Stopped, nothing shown: %q", v.Meaning)
	}
}

// TestALostBoardIsLookedForFirst: while the board is away with its heaters perhaps on, the mains
// come first and the cable second.
func TestALostBoardIsLookedForFirst(t *testing.T) {
	s := snapshot(supervisor.Aborted)
	s.Heat.Unsure, s.Line.Connected = true, false
	do := nextOf(s).Do
	if len(do) < 4 || !strings.HasPrefix(do[0], "Switch the machine off at the mains") || !strings.HasPrefix(do[1], "Check the cable and the power supply") {
		t.Errorf("do %q", do)
	}
	s.Heat.Unsure, s.Line.Connected = false, true
	if do := nextOf(s).Do; strings.Contains(strings.Join(do, " "), "mains") {
		t.Errorf("with the board there: %q", do)
	}
}
