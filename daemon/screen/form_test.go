package screen

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"pgregory.net/rapid"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// TestVisitReachesTheRun: every field of the form comes to the run as it was typed.
func TestVisitReachesTheRun(t *testing.T) {
	b := setUp(t)
	w := b.post("/visit", "key", "1", "offset_mm", "−1,5", "lengths_mm", "20,1 20.2;19.9", "all_good", "6", "scrap_reason_1", "warped", "scrap_count_1", "1",
		"scrap_reason_3", "detached", "scrap_count_3", "2", "detached_min", "31 44.5", "interrupted", "scrap", "realigned", "yes", "belt_cleared", "yes",
		"seam_mm", "-40", "spool_g", "812", "bin_emptied", "yes", "note", "belt dusty", "surface", "cleaned", "sure", "yes", "by", "Ada")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/?done=visit" || len(b.run.asked) != 1 {
		t.Fatalf("%d %v, asked %d times", w.Code, w.Header(), len(b.run.asked))
	}
	number := func(v float64) *float64 { return &v }
	want := &supervisor.Visit{OffsetMM: number(-1.5), LengthsMM: []float64{20.1, 20.2, 19.9}, Good: 6, Scrap: map[string]int{"warped": 1, "detached": 2},
		DetachedMin: []float64{31, 44.5}, Interrupted: "scrap", Realigned: true, BeltCleared: true, SeamMM: number(-40), SpoolG: number(812), BinEmptied: true,
		Note: "belt dusty", Surface: "cleaned", Sure: true}
	if got := b.run.asked[0]; !reflect.DeepEqual(got.Visit, want) || got.By != "Ada" {
		t.Errorf("%+v by %s\nwant %+v", got.Visit, got.By, want)
	}
	if w := b.post("/visit", "key", "2"); w.Code != http.StatusSeeOther || b.run.asked[1].By != "somebody" || b.run.asked[1].Visit.OffsetMM != nil {
		t.Errorf("an empty visit: %d %+v", w.Code, b.run.asked[1])
	}
}

// TestOffsetHasASide: how far and to which side, since keypads for numbers have no minus sign; a number with its sign stays
// good, and what contradicts itself is refused.
func TestOffsetHasASide(t *testing.T) {
	number := func(v float64) *float64 { return &v }
	b := setUp(t)
	for _, c := range []struct {
		side, typed string
		want        *float64
		wrong       string // the input that is wrong
	}{
		{"", "", nil, ""}, {"", "0", number(0), ""}, {"", "-1.5", number(-1.5), ""}, {"", "+1,5", number(1.5), ""},
		{"zero", "", number(0), ""}, {"zero", "0,0", number(0), ""}, {"left", "1,5", number(-1.5), ""}, {"right", "1.5", number(1.5), ""},
		{"left", "-1.5", number(-1.5), ""}, {"right", "+1.5", number(1.5), ""}, {"left", "0", number(0), ""},
		{"", "1.5", nil, "offset_side"}, {"left", "", nil, "offset_mm"}, {"right", "", nil, "offset_mm"}, {"zero", "1.5", nil, "offset_mm"},
		{"right", "\u22121.5", nil, "offset_mm"}, {"left", "+1.5", nil, "offset_mm"}, {"left", "much", nil, "offset_mm"}, {"up", "1.5", nil, "offset_side"},
	} {
		b.run.asked = nil
		w := b.post("/visit", "offset_side", c.side, "offset_mm", c.typed)
		if c.wrong != "" {
			if page := w.Body.String(); w.Code != http.StatusUnprocessableEntity || !strings.Contains(page, `id="`+c.wrong+`-wrong"`) || !strings.Contains(page, `href="#`+c.wrong+`"`) {
				t.Errorf("%q %q: %d, and %s is not called wrong", c.side, c.typed, w.Code, c.wrong)
			}
			sound(t, w.Body.String())
			continue
		}
		if w.Code != http.StatusSeeOther || len(b.run.asked) != 1 {
			t.Errorf("%q %q: %d %s", c.side, c.typed, w.Code, w.Body)
		} else if got := b.run.asked[0].Visit.OffsetMM; !reflect.DeepEqual(got, c.want) {
			t.Errorf("%q %q is %v, want %v", c.side, c.typed, got, c.want)
		}
	}
}

// TestVisitShowsWhatItIsFor: first what the visit is for; the rest is folded, but for what holds a value or a mistake.
func TestVisitShowsWhatItIsFor(t *testing.T) {
	for _, c := range []struct {
		code  string
		alter func(*supervisor.Snapshot)
		want  []string
	}{
		{supervisor.CauseCheckParts, nil, []string{"offset", "parts"}},
		{supervisor.CauseOffset, nil, []string{"offset", "parts"}},
		{supervisor.CauseSize, nil, []string{"lengths", "parts"}},
		{supervisor.CauseFilament, nil, []string{"spool", "parts"}},
		{supervisor.CauseBin, nil, []string{"bin", "parts"}},
		{supervisor.CauseCare, nil, []string{"care", "parts"}},
		{supervisor.CauseOperator, nil, []string{"parts"}},
		{supervisor.CauseCheckParts, func(s *supervisor.Snapshot) { s.Lot.Interrupted, s.Belt.Clear = 1, false }, []string{"interrupted", "cleared", "offset", "parts"}},
		{supervisor.CauseCheckParts, func(s *supervisor.Snapshot) { s.Lot.Unverified = 0 }, []string{"offset"}},
		{supervisor.CauseFilament, func(s *supervisor.Snapshot) { s.Lot = nil }, []string{"spool"}},
		{"", func(s *supervisor.Snapshot) { s.Lot = nil }, []string{"offset"}},
	} {
		s := snapshot(supervisor.Held)
		s.Cause, s.Next, s.Belt.Clear, s.Lot.Interrupted, s.Care = supervisor.Cause{Code: c.code, Text: "due"}, nil, true, 0, []supervisor.CareView{{Name: "oil the rollers"}}
		s.Lot.Jobs[0].Size = nil
		if c.alter != nil {
			c.alter(s)
		}
		b := setUp(t)
		b.run.show(s)
		page := b.get("/visit").Body.String()
		sound(t, page)
		var first []string
		above, _, _ := strings.Cut(page, "Also record")
		for _, legend := range regexp.MustCompile(`<legend>([^<]*)</legend>`).FindAllStringSubmatch(above, -1) {
			for _, g := range visitGroups {
				if g.title == legend[1] {
					first = append(first, g.name)
				}
			}
		}
		if !slices.Equal(first, c.want) {
			t.Errorf("%s: the visit is for %q, want %q", c.code, first, c.want)
		}
		if strings.Contains(page, `<details class="also" open`) {
			t.Errorf("%s: something is unfolded that holds nothing", c.code)
		}
	}
	b := setUp(t)
	page := b.post("/visit", "offset_mm", "x", "note", "belt dusty", "spool_g", "0x10").Body.String()
	for _, title := range []string{"Spool", "Your name and a note"} {
		if !strings.Contains(page, `<details class="also" open><summary>`+title) {
			t.Errorf("%s holds something and is folded", title)
		}
	}
	if strings.Contains(page, `open><summary>Bin`) {
		t.Error("what holds nothing is unfolded")
	}
}

// TestMistakesStandBesideTheirFields: all of them at once, with what was typed, and nothing
// reaches the run.
func TestMistakesStandBesideTheirFields(t *testing.T) {
	b := setUp(t)
	w := b.post("/visit", "offset_mm", "two", "lengths_mm", "20.1 x2", "good", "-3", "all_good", "6", "scrap_count_1", "2", "scrap_reason_2", "warped",
		"spool_g", "0x10", "seam_mm", "NaN", "by", hostile, "note", strings.Repeat("n", 1001))
	if w.Code != http.StatusUnprocessableEntity || len(b.run.asked) != 0 {
		t.Fatalf("%d, asked %d times", w.Code, len(b.run.asked))
	}
	page := w.Body.String()
	sound(t, page)
	for _, name := range []string{"offset_mm", "lengths_mm", "good", "scrap_reason_1", "scrap_count_2", "spool_g", "seam_mm", "note"} {
		for _, part := range []string{`id="` + name + `-wrong"`, `href="#` + name + `"`} {
			if !strings.Contains(page, part) {
				t.Errorf("%s is missing", part)
			}
		}
	}
	for _, part := range []string{`value="two"`, `value="20.1 x2"`, `value="warped"`, "aria-invalid", `aria-describedby="offset_mm-hint offset_mm-wrong"`} {
		if !strings.Contains(page, part) {
			t.Errorf("%s is missing", part)
		}
	}
}

// TestFaultsOfTheRunStandBesideTheirFields, and what is merely odd is asked back.
func TestFaultsOfTheRunStandBesideTheirFields(t *testing.T) {
	b := setUp(t)
	b.run.err = &supervisor.VisitRefusal{Refusal: supervisor.Refusal{What: "record the check", Why: "too many"},
		Faults: []supervisor.Fault{{Field: "good", Text: "9 good are more than 6"}, {Field: "scrap", Text: "no such scrap"}}, Unlikely: true}
	w := b.post("/visit", "good", "9")
	page := w.Body.String()
	sound(t, page)
	for _, part := range []string{`id="good-wrong">9 good are more than 6.`, `id="scrap_count_1-wrong"`, `name="sure"`, `value="9"`} {
		if !strings.Contains(page, part) {
			t.Errorf("%s is missing in\n%s", part, page)
		}
	}
	if w.Code != http.StatusUnprocessableEntity {
		t.Errorf("%d", w.Code)
	}
	if page := b.get("/visit").Body.String(); strings.Contains(page, `name="sure"`) {
		t.Error("a fresh form asks whether it is so")
	}
}

// TestFormsAreCarriedOutOnce, however often they are sent.
func TestFormsAreCarriedOutOnce(t *testing.T) {
	b := setUp(t)
	for range 3 {
		if w := b.post("/visit", "key", "k", "good", "2"); w.Code != http.StatusSeeOther {
			t.Fatalf("%d", w.Code)
		}
		if w := b.post("/command", "key", "k", "command", "unhold"); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/?done=unhold" {
			t.Fatalf("%d %v", w.Code, w.Header())
		}
	}
	if len(b.run.asked) != 2 {
		t.Errorf("the run was asked %d times", len(b.run.asked))
	}
}

// TestAFormThatIsAskedForAgain, as a browser does that goes back and has no copy of it, is the
// one that it was, until it was carried out; then that is said, and another has to be asked for.
func TestAFormThatIsAskedForAgain(t *testing.T) {
	b := setUp(t)
	to := func() (key, path string) {
		w := httptest.NewRecorder()
		b.ServeHTTP(w, httptest.NewRequest("GET", "/visit", nil))
		path = w.Header().Get("Location")
		key, ok := strings.CutPrefix(path, "/visit?key=")
		if !ok || w.Code != http.StatusSeeOther || w.Header().Get("Cache-Control") != "no-store" {
			t.Fatalf("%d %v", w.Code, w.Header())
		}
		return key, path
	}
	key, path := to()
	if other, _ := to(); other == key {
		t.Error("two forms have one key")
	}
	hidden := `name="key" value="` + key + `"`
	for range 2 {
		if page := b.get(path).Body.String(); !strings.Contains(page, hidden) {
			t.Fatalf("not the form that it was: %s", page)
		}
	}
	b.post("/visit", "key", key, "good", "two") // refused
	if page := b.get(path).Body.String(); strings.Contains(page, hidden) || !strings.Contains(page, `name="good"`) {
		t.Error("after a mistake the form cannot be sent")
	}
	for _, how := range []string{"recorded", "recorded, and gone on", "recorded, and not gone on"} {
		b.run.asked, b.run.err, b.run.after = nil, nil, 0
		then := ""
		if how != "recorded" {
			then = "go-on"
		}
		if how == "recorded, and not gone on" {
			b.run.err, b.run.after = &supervisor.Refusal{What: "unhold", Why: "the spool is empty"}, 1
		}
		key, path := to()
		b.post("/visit", "key", key, "good", "2", "then", then)
		asked := len(b.run.asked)
		w := b.get(path)
		page := w.Body.String()
		sound(t, page)
		if w.Code != http.StatusOK || !strings.Contains(page, "This visit is recorded") || !strings.Contains(page, `href="/visit"`) || strings.Contains(page, "<form method=\"post\" action=\"/visit\"") {
			t.Errorf("%s: %d %s", how, w.Code, page)
		}
		w = b.post("/visit", "key", key, "good", "3", "then", then)
		if page := w.Body.String(); w.Code != http.StatusUnprocessableEntity || !strings.Contains(page, "<h1>This form was already sent with other values") || len(b.run.asked) != asked {
			t.Errorf("%s, sent again with other values: %d %s", how, w.Code, page)
		}
	}
	for _, strange := range []string{"x", strings.Repeat("A", 27), strings.Repeat("%3C", 26), strings.Repeat("a", 26)} {
		w := httptest.NewRecorder()
		b.ServeHTTP(w, httptest.NewRequest("GET", "/visit?key="+strange, nil))
		if w.Code != http.StatusSeeOther || strings.Contains(w.Header().Get("Location"), strange) {
			t.Errorf("key %s: %d %v", strange, w.Code, w.Header())
		}
	}
}

// TestRecordAndGoOn records first, and shows why the machine does not go on.
func TestRecordAndGoOn(t *testing.T) {
	b := setUp(t)
	if w := b.post("/visit", "key", "1", "good", "2", "then", "go-on"); w.Header().Get("Location") != "/?done=went-on" {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	b.run.show(snapshot(supervisor.Suspended))
	b.post("/visit", "key", "2", "then", "go-on")
	if a := b.run.asked; len(a) != 4 || a[0].Visit == nil || a[1].Command != supervisor.Unhold || a[3].Command != supervisor.Unsuspend {
		t.Errorf("%+v", a)
	}
}

// TestCommandsThatAreRefused are shown with the reason, and a way to go on all the same.
func TestCommandsThatAreRefused(t *testing.T) {
	b := setUp(t)
	b.run.err = &supervisor.Refusal{What: "unhold", Why: "the check is due", Remedy: "record it", Command: "beltwarden check"}
	w := b.post("/command", "command", "unhold", "by", "Ada")
	page := w.Body.String()
	sound(t, page)
	if w.Code != http.StatusConflict || !strings.Contains(page, "Cannot unhold: the check is due") || !strings.Contains(page, "Record it") || strings.Contains(page, "beltwarden check") || !strings.Contains(page, `name="override"`) || !strings.Contains(page, `value="Ada"`) {
		t.Errorf("%d %s", w.Code, page)
	}
	b.run.err = nil
	b.post("/command", "command", "stop", "after_part", "yes", "override", "late")
	if a := b.run.asked[1]; a.Command != supervisor.Stop || !a.AfterPart || a.ClearBelt || a.Override != "late" {
		t.Errorf("%+v", a)
	}
	for _, name := range []string{"", "explode", "complete"} {
		if w := b.post("/command", "command", name); w.Code != http.StatusUnprocessableEntity || len(b.run.asked) != 2 {
			t.Errorf("%q: %d", name, w.Code)
		}
	}
	b.run.err = supervisor.ErrEnded
	if w := b.post("/command", "command", "hold"); w.Code != http.StatusServiceUnavailable {
		t.Errorf("%d", w.Code)
	}
}

// TestDecimalReadsWhatPeopleType: a number written in any of the usual ways reads back as
// itself; what is no number is refused.
func TestDecimalReadsWhatPeopleType(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(-9999, 9999).Draw(t, "hundredths")
		sign, whole, rest := "", n, 0
		if n < 0 {
			sign, whole = rapid.SampledFrom([]string{"-", "−"}).Draw(t, "minus"), -n
		} else if rapid.Bool().Draw(t, "plus") {
			sign = "+"
		}
		whole, rest = whole/100, whole%100
		text := sign + string(rune('0'+whole/10)) + string(rune('0'+whole%10)) + rapid.SampledFrom([]string{".", ","}).Draw(t, "point") +
			string(rune('0'+rest/10)) + string(rune('0'+rest%10))
		if got, ok := decimal(text); !ok || got != float64(n)/100 {
			t.Fatalf("%q reads as %v, %v", text, got, ok)
		}
	})
	for _, text := range []string{"", "mm", "1.2.3", "1,2,3", "1,234.5", "0x1p3", "inf", "NaN", "1e400", "1_000", "--1", "1 2"} {
		if v, ok := decimal(text); ok {
			t.Errorf("%q reads as %v", text, v)
		}
	}
}

// TestLotFromUpload: a job is uploaded, its inspection shown, and the lot opened as typed.
func TestLotFromUpload(t *testing.T) {
	clip := filepath.Join("..", "scenario", "stake-clip.gcode")
	data, err := os.ReadFile(clip)
	if err != nil {
		t.Fatal(err)
	}
	files := &folder{files: map[string]string{"clip.gcode": clip}}
	b := setUp(t, func(o *Options) {
		o.Jobs, o.Job = files, job.Options{BeltAxis: gcode.Y, Forward: 1, GapMM: 10, ToDropMM: 220}
	})
	w := b.send("/lots/new?job=peg.gcode", "clip.gcode", data[:500])
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/lots/new?job=peg.gcode&job=clip.gcode" || !slices.Equal(files.order, []string{"clip.gcode"}) {
		t.Errorf("%d %v %v", w.Code, w.Header(), files.order)
	}
	if w := b.send("/lots/new", "big.gcode", make([]byte, 2<<20)); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "longer than") {
		t.Errorf("a file that is too long: %d", w.Code)
	}
	if w := b.send("/lots/new", "", nil); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "choose a job file first") {
		t.Errorf("no file: %d", w.Code)
	}
	page := b.get("/lots/new?job=clip.gcode&job=gone.gcode").Body.String()
	sound(t, page)
	for _, part := range []string{"mm along the belt", "Where the parts will lie", "There is no job gone.gcode", "disabled"} {
		if !strings.Contains(page, part) {
			t.Errorf("%q is missing", part)
		}
	}
	if w := b.post("/lots", "job", "clip.gcode", "good_1", "", "length_1", "36"); w.Code != http.StatusUnprocessableEntity ||
		!strings.Contains(w.Body.String(), `id="good_1-wrong"`) || !strings.Contains(w.Body.String(), `id="tolerance_1-wrong"`) || len(b.run.asked) != 0 {
		t.Errorf("%d", w.Code)
	}
	w = b.post("/lots", "job", "clip.gcode", "good_1", "40", "length_1", "36,2", "tolerance_1", "0.3", "order", "turn", "name", "May order", "start", "yes", "by", "Ada",
		"order_number", "4500-17", "material", "PETG", "material_batch", "B 77")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/lots/7?done=lot-start" || len(b.run.asked) != 1 {
		t.Fatalf("%d %v %s", w.Code, w.Header(), w.Body)
	}
	q := b.run.asked[0].Lot
	if q == nil || q.Name != "May order" || q.Order != ledger.OrderTurn || !q.Start || !slices.Equal(q.Good, []int{40}) || len(q.Plans) != 1 ||
		q.Plans[0].Path != clip || q.Sizes[0] != (book.SizeOrder{LengthMM: 36.2, ToleranceMM: 0.3}) ||
		q.Particulars != (ledger.Particulars{OrderNumber: "4500-17", Material: "PETG", MaterialBatch: "B 77"}) {
		t.Errorf("%+v", q)
	}
	b.run.err = errors.New("no")
	if w := b.post("/lots", "job", "clip.gcode", "good_1", "1"); w.Code != http.StatusConflict || b.run.asked[1].Lot.Sizes != nil {
		t.Errorf("%d", w.Code)
	}
}

// TestPartIsMoved: where the part begins and ends in a file is shown, and a lot is opened with other lines.
func TestPartIsMoved(t *testing.T) {
	clip := filepath.Join("..", "scenario", "stake-clip.gcode")
	b := setUp(t, func(o *Options) {
		o.Jobs, o.Job = &folder{files: map[string]string{"clip.gcode": clip}}, job.Options{BeltAxis: gcode.Y, Forward: 1, GapMM: 10, ToDropMM: 220}
	})
	plan, err := job.Inspect(t.Context(), clip, job.Options{BeltAxis: gcode.Y, Forward: 1}, nil)
	if err != nil {
		t.Fatal(err)
	}
	first, last := plan.Body.FirstLine, plan.Body.LastLine
	page := b.get("/lots/new?job=clip.gcode").Body.String()
	sound(t, page)
	if !strings.Contains(page, fmt.Sprintf("Found: line %d.", first)) || !strings.Contains(page, fmt.Sprintf("Found: line %d.", last)) {
		t.Errorf("it does not say that the part is in lines %d to %d: %s", first, last, page)
	}
	text := func(n int64) string { return strconv.FormatInt(n, 10) }
	w := b.post("/lots", "job", "clip.gcode", "good_1", "40", "part_from_1", text(first), "part_to_1", text(last-1), "look", "yes")
	if page = w.Body.String(); w.Code != http.StatusOK || len(b.run.asked) != 0 || !strings.Contains(page, fmt.Sprintf(`value="%d"`, last-1)) || !strings.Contains(page, fmt.Sprintf("lines %d to %d", first, last-1)) ||
		!strings.Contains(page, `value="40"`) {
		t.Errorf("looking at other lines: %d, %d asked, %s", w.Code, len(b.run.asked), page)
	}
	sound(t, page)
	for _, c := range [][3]string{{"x", "9", "part_from_1"}, {"9", "", "part_to_1"}, {"", "9", "part_from_1"}, {"9", "8", "part_to_1"}, {"0", "8", "part_from_1"}} {
		for _, look := range []string{"", "yes"} {
			w := b.post("/lots", "job", "clip.gcode", "good_1", "40", "part_from_1", c[0], "part_to_1", c[1], "look", look)
			if !strings.Contains(w.Body.String(), `id="`+c[2]+`-wrong"`) || len(b.run.asked) != 0 {
				t.Errorf("%q to %q, look %q: %d, %s", c[0], c[1], look, w.Code, w.Body)
			}
		}
	}
	w = b.post("/lots", "job", "clip.gcode", "good_1", "40", "part_from_1", text(first), "part_to_1", text(last-1))
	if w.Code != http.StatusSeeOther || len(b.run.asked) != 1 || b.run.asked[0].Lot.Plans[0].Body.LastLine != last-1 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// send uploads one file as a browser does.
func (b *bench) send(path, name string, data []byte) *httptest.ResponseRecorder {
	var body bytes.Buffer
	form := multipart.NewWriter(&body)
	if name != "" {
		part, _ := form.CreateFormFile("job", name)
		_, _ = part.Write(data)
	}
	_ = form.Close()
	r := httptest.NewRequest("POST", path, &body)
	r.Header.Set("Content-Type", form.FormDataContentType())
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	return w
}

// TestTooManyFiles: a form with two thousand files stores a handful, and says so.
func TestTooManyFiles(t *testing.T) {
	stored := &folder{files: map[string]string{}}
	b := setUp(t, func(o *Options) { o.Jobs = stored })
	var body bytes.Buffer
	form := multipart.NewWriter(&body)
	for n := range 2000 {
		part, _ := form.CreateFormFile("job", fmt.Sprintf("peg-%d.gcode", n))
		_, _ = part.Write([]byte("G28\n"))
	}
	_ = form.Close()
	r := httptest.NewRequest("POST", "/lots/new", &body)
	r.Header.Set("Content-Type", form.FormDataContentType())
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "at most 20 files") || len(stored.order) != mostParts {
		t.Errorf("%d, %d files", w.Code, len(stored.order))
	}
}

// TestUploadsMayNotDawdle: what is uploaded is read through what bounds how slowly it may come.
func TestUploadsMayNotDawdle(t *testing.T) {
	slow := errors.New("the file arrives too slowly")
	stored := &folder{files: map[string]string{}}
	b := setUp(t, func(o *Options) {
		o.Jobs = stored
		o.Slowly = func(_ http.ResponseWriter, r *http.Request) io.ReadCloser {
			return io.NopCloser(io.MultiReader(io.LimitReader(r.Body, 200), iotest.ErrReader(slow)))
		}
	})
	var body bytes.Buffer
	form := multipart.NewWriter(&body)
	part, _ := form.CreateFormFile("job", "peg.gcode")
	_, _ = part.Write(bytes.Repeat([]byte("G28\n"), 1000))
	_ = form.Close()
	r := httptest.NewRequest("POST", "/lots/new", &body)
	r.Header.Set("Content-Type", form.FormDataContentType())
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "The file arrives too slowly") || len(stored.order) != 0 {
		t.Errorf("%d, %d files: %s", w.Code, len(stored.order), w.Body)
	}
}

// TestEndOfLot is asked of the run for the lot in progress alone.
func TestEndOfLot(t *testing.T) {
	b := setUp(t)
	if w := b.post("/lots/8/end", "reason", "x"); w.Code != http.StatusConflict || len(b.run.asked) != 0 {
		t.Errorf("%d", w.Code)
	}
	if w := b.post("/lots/7/end", "reason", "enough", "by", "Ada"); w.Header().Get("Location") != "/lots/7?done=ended" || !b.run.asked[0].EndLot || b.run.asked[0].Override != "enough" {
		t.Errorf("%d %+v", w.Code, b.run.asked)
	}
	for _, path := range []string{"/lots/8", "/lots/x", "/lots/-1"} {
		if w := b.get(path); w.Code != http.StatusNotFound {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
}

// TestAlertTestTellsWhatCameOfIt.
func TestAlertTestTellsWhatCameOfIt(t *testing.T) {
	b := setUp(t)
	if w := b.post("/alerts/test", "channel", "phone"); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "nobody answers at phone") {
		t.Errorf("%d", w.Code)
	}
	if w := b.post("/alerts/test", "channel", "nobody"); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("%d", w.Code)
	}
}

// TestAcknowledging says that somebody knows, once, and tells what came of it.
func TestAcknowledging(t *testing.T) {
	b := setUp(t)
	if page := b.get("/alerts").Body.String(); !strings.Contains(page, "Acknowledge: call nobody else") || !strings.Contains(page, "called if nobody has acted for a while") {
		t.Error("the page does not say who is called when, or cannot be answered")
	}
	if page := b.get("/").Body.String(); !strings.Contains(page, "If nobody acts, these are called too: foreman") {
		t.Error("the screen does not say that others are called")
	}
	w := b.post("/alerts/acknowledge", "by", "Ada")
	if w.Header().Get("Location") != "/alerts?done=known" || len(b.run.asked) != 1 || !b.run.asked[0].Acknowledge || b.run.asked[0].By != "Ada" {
		t.Errorf("%d %+v", w.Code, b.run.asked)
	}
	if page := b.get("/alerts?done=known").Body.String(); !strings.Contains(page, "Acknowledged. Nobody else is called") {
		t.Error("it is not said that it was noted")
	}
	b.run.err = &supervisor.Refusal{What: "do that now", Why: "the belt's scale is being set"}
	if w := b.post("/alerts/acknowledge", "by", "Ada"); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "scale is being set") {
		t.Errorf("%d", w.Code)
	}
	b.looks = true
	if w := b.post("/alerts/acknowledge", "by", "Ada"); w.Code != http.StatusForbidden {
		t.Errorf("a looker acknowledges: %d", w.Code)
	}
	if page := b.get("/alerts").Body.String(); strings.Contains(page, "<form") && strings.Contains(page, "acknowledge") {
		t.Error("a looker is offered what would be refused")
	}
}

// TestGoingOnByItself: whoever looks at the screen of a machine that is about to go on by
// itself is warned to keep hands off, and can keep it where it is; one who only looks cannot.
func TestGoingOnByItself(t *testing.T) {
	b := setUp(t)
	s := snapshot(supervisor.Aborted)
	at := s.At.Add(5 * time.Minute)
	s.Recovery = &supervisor.RecoveryView{ResumesAt: &at}
	b.run.shot = s
	page := b.get("/").Body.String()
	if !strings.Contains(page, "Keep hands off: it resumes at 12:05:00") || !strings.Contains(page, `id="act-keep"`) || strings.Contains(page, "Clear the belt of parts") {
		t.Error("the screen does not say that it resumes by itself, or offers nothing against it")
	}
	s.Recovery = &supervisor.RecoveryView{ResumeBlockedBy: "something may be under the head"}
	if page := b.get("/").Body.String(); !strings.Contains(page, "It waits for you: something may be under the head") || strings.Contains(page, `id="act-keep"`) {
		t.Error("the screen does not say why it waits, or offers to keep what stays by itself")
	}
	s.Recovery.ResumesAt = &at
	b.looks = true
	if page := b.get("/").Body.String(); strings.Contains(page, `id="act-keep"`) {
		t.Error("a looker is offered what would be refused")
	}
}

// TestALotIsOrderedAgain from its page, while the copies of its jobs are kept.
func TestALotIsOrderedAgain(t *testing.T) {
	clip, err := filepath.Abs(filepath.Join("..", "..", "testdata", "jobs", "stake-clip.gcode"))
	if err != nil {
		t.Fatal(err)
	}
	var read []string
	copied := "lot:7:1"
	b := setUp(t, func(o *Options) {
		plain, lot := o.Inspect, o.Lot
		o.Inspect = func(ctx context.Context, path string, part job.Lines) (*job.Plan, error) {
			read = append(read, path)
			return plain(ctx, clip, part)
		}
		o.Lot = func(ctx context.Context, id int64) (*client.LotDetail, error) {
			l, err := lot(ctx, id)
			l.Jobs[0].Copy = copied
			return l, err
		}
	})
	const address = "/lots/new?job=lot%3A7%3A1"
	if page := b.get("/lots/7").Body.String(); !strings.Contains(page, `href="`+address+`"`) {
		t.Fatalf("no way to order it again: %s", page)
	}
	page := b.get(address).Body.String()
	sound(t, page)
	if !strings.Contains(page, "<h2>Job 1 of lot 7, as it was made then</h2>") || !strings.Contains(page, `type="hidden" name="job" value="lot:7:1"`) || !strings.Contains(page, `name="job" value="lot:7:1" checked`) {
		t.Errorf("the form: %s", page)
	}
	w := b.post("/lots", "key", "1", "job", "lot:7:1", "good_1", "40", "start", "yes")
	if w.Code != http.StatusSeeOther || len(b.run.asked) != 1 || len(b.run.asked[0].Lot.Plans) != 1 || b.run.asked[0].Lot.Good[0] != 40 {
		t.Errorf("%d %s %+v", w.Code, w.Body, b.run.asked)
	}
	if !slices.Equal(read, []string{"lot:7:1", "lot:7:1"}) {
		t.Errorf("read %q", read)
	}
	copied = ""
	if page := b.get("/lots/7").Body.String(); strings.Contains(page, "/lots/new?job") {
		t.Error("a lot can be ordered again whose copy is gone")
	}
	copied, b.looks = "lot:7:1", true
	if page := b.get("/lots/7").Body.String(); strings.Contains(page, "/lots/new?job") {
		t.Error("a looker is offered to order")
	}
}

// TestNewLotIsReckoned: before anything is opened the page says what the lot takes, in time with its interval, visits,
// filament and money; findings stand before facts, and the button that heats says so.
func TestNewLotIsReckoned(t *testing.T) {
	clip := filepath.Join("..", "scenario", "stake-clip.gcode")
	b := setUp(t, func(o *Options) {
		o.Jobs, o.Job = &folder{files: map[string]string{"clip.gcode": clip}}, job.Options{BeltAxis: gcode.Y, Forward: 1, GapMM: 10, ToDropMM: 220}
		o.Inspect = func(ctx context.Context, path string, _ job.Lines) (*job.Plan, error) {
			return job.Inspect(ctx, clip, o.Job, nil)
		}
		o.Cost = func(filamentG float64, busy time.Duration, visits, good int) *Cost {
			if math.Abs(filamentG-110) > 1e-9 || busy != 11*time.Hour || visits != 6 || good != 40 {
				t.Errorf("asked for the cost of %g g, %v, %d visits, %d good", filamentG, busy, visits, good)
			}
			return &Cost{Currency: "EUR", Total: 12.5, Each: 0.3125, LeftOut: 1}
		}
	})
	s := snapshot(supervisor.Idle)
	s.Lot = nil
	b.run.show(s)
	left := 60.0
	b.run.quote = &supervisor.Quote{Parts: 40, Scrap: 4, At: s.At.Add(12 * time.Hour), Early: s.At.Add(10 * time.Hour), Late: s.At.Add(15 * time.Hour), Stops: 5, Assumed: true, Yield: 0.9,
		Visits: []supervisor.NextVisit{{Parts: 8, At: s.At.Add(2 * time.Hour)}}, FilamentMM: 33000, FilamentG: 100, ScrapG: 10, SpoolLeftG: &left, SpoolG: 1000}
	b.run.quote.Making.Median = 10 * time.Hour
	page := b.get("/lots/new?job=clip.gcode").Body.String()
	if !strings.Contains(page, "Enter how many good parts are ordered, and reckon.") || !strings.Contains(page, ">Heat and begin now<") || strings.Contains(page, "Where the parts will lie</summary>") {
		t.Error(page)
	}
	if findings, facts := strings.Index(page, "<h3>Findings"), strings.Index(page, "<h3>What it does"); facts < 0 || findings > facts {
		t.Errorf("findings at %d, facts at %d", findings, facts)
	}
	w := b.post("/lots", "job", "clip.gcode", "good_1", "40", "look", "quote")
	page = w.Body.String()
	sound(t, page)
	if w.Code != http.StatusOK || len(b.run.asked) != 0 {
		t.Errorf("%d, %d asked", w.Code, len(b.run.asked))
	}
	for _, want := range []string{"12 h", "estimated between 10 h 0 min and 15 h 0 min", "5 stops before the last part, the first after 8 parts", "33.0 m, 100 g, and about 10 g for 4 parts to replace scrap; the spool has 60 g left: bring 1 full spool",
		"about 12.50 EUR, 0.31 a good part; 1 kind of cost without a rate left out", "yield 90 % (assumed)", "if you are there at once at each stop"} {
		if !strings.Contains(page, want) {
			t.Errorf("%q is missing in %s", want, page)
		}
	}
	b.run.show(snapshot(supervisor.Aborted))
	if page := b.get("/lots/new?job=clip.gcode").Body.String(); strings.Contains(page, "Heat and begin now") || !strings.Contains(page, "The machine is Aborted: the lot opens, and does not begin.") {
		t.Error("an aborted machine is said to heat at once")
	}
}
