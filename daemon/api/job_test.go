package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"beltwarden/daemon/access"
	"beltwarden/daemon/client"
	"beltwarden/daemon/shelf"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// patience bounds waits that only a hang makes long: generous, since the computer may be slow and busy.
const patience = 5 * time.Minute

// withShelf gives the interface a folder for jobs of at most so many bytes.
func withShelf(t *testing.T, limit int64, alter ...func(*Options)) (*bench, *shelf.Shelf) {
	t.Helper()
	s, err := shelf.Open(filepath.Join(t.TempDir(), "jobs"), limit)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return setUp(t, append(alter, func(o *Options) { o.Shelf = s })...), s
}

func clip(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile("../../testdata/jobs/stake-clip.gcode")
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// upload sends a file as programs do.
func (b *bench) upload(name, content string) (int, client.Job, string) {
	w := b.ask("POST", "/api/v1/jobs?name="+url.QueryEscape(name), content, "Content-Type", "application/octet-stream")
	var j client.Job
	_ = json.Unmarshal(w.Body.Bytes(), &j) // a problem is looked at as text
	return w.Code, j, w.Body.String()
}

func TestJobFromUploadToLot(t *testing.T) {
	b, s := withShelf(t, 32<<20, upright)
	if w := b.ask("GET", "/api/v1/jobs", ""); strings.TrimSpace(w.Body.String()) != "[]" {
		t.Errorf("an empty folder: %s", w.Body)
	}
	w := b.ask("POST", "/api/v1/jobs?name=clip.gcode", clip(t), "Content-Type", "application/octet-stream")
	if w.Code != 201 || w.Header().Get("Location") != "/api/v1/jobs/clip.gcode" {
		t.Fatalf("%d %s %s", w.Code, w.Header(), w.Body)
	}
	w = b.ask("GET", w.Header().Get("Location"), "")
	var d struct {
		client.JobDetail
		Plan struct {
			FilamentMM float64 `json:"filament_mm"`
		} `json:"plan"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &d); err != nil || w.Code != 200 || d.Blocked || d.Plan.FilamentMM <= 0 || d.Name != "clip.gcode" || len(d.SHA256) != 64 {
		t.Errorf("%d %+v, %v", w.Code, d, err)
	}
	w = b.ask("POST", "/api/v1/lots", `{"jobs":["clip.gcode"],"good":[40],"particulars":{"order_number":"4500-17"}}`)
	want, err := s.Path("clip.gcode")
	if err != nil {
		t.Fatal(err)
	}
	if w.Code != 200 || len(b.run.asked) != 1 || b.run.asked[0].Lot.Plans[0].Path != want || b.run.asked[0].Lot.Particulars.OrderNumber != "4500-17" {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if w := b.ask("POST", "/api/v1/lots", `{"jobs":["peg.gcode","../clip.gcode"],"good":[40]}`); w.Code != 422 ||
		!strings.Contains(w.Body.String(), "jobs[0]") || !strings.Contains(w.Body.String(), "jobs[1]") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// A file that cannot be a job is stored all the same, and its inspection says why.
func TestJobThatCannotRun(t *testing.T) {
	b, _ := withShelf(t, 1<<20, upright)
	if code, _, text := b.upload("empty.gcode", ""); code != 201 {
		t.Fatalf("%d %s", code, text)
	}
	w := b.ask("GET", "/api/v1/jobs/empty.gcode", "")
	var d client.JobDetail
	if err := json.Unmarshal(w.Body.Bytes(), &d); err != nil || w.Code != 200 || !d.Blocked || len(d.Refusal) == 0 || d.Plan != nil {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestJobIsNotRemovedFromUnderALot(t *testing.T) {
	b, s := withShelf(t, 1<<20)
	_, j, _ := b.upload("peg.gcode", "G28\n")
	lot := ledger.Lot{ID: 3, Name: "pegs", Order: ledger.OrderBlocks, Jobs: []ledger.LotJob{{Path: j.Path, SHA256: j.SHA256, Name: "peg", GoodOrdered: 1}}}
	if err := b.ledger.Commit(t.Context(), ledger.LotOpened{Lot: lot}); err != nil {
		t.Fatal(err)
	}
	w := b.ask("DELETE", "/api/v1/jobs/peg.gcode", "")
	if p := problemOf(t, w); w.Code != 409 || !strings.Contains(p.Detail, "lot 3") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if err := b.ledger.Commit(t.Context(), ledger.LotChanged{LotID: 3, Status: ledger.LotEnded, Reason: "withdrawn"}); err != nil {
		t.Fatal(err)
	}
	for range 2 { // the second is a repetition of the first
		if w := b.ask("DELETE", "/api/v1/jobs/peg.gcode", "", "Idempotency-Key", "k"); w.Code != 204 || w.Body.Len() != 0 {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	}
	if w := b.ask("DELETE", "/api/v1/jobs/peg.gcode", ""); w.Code != 404 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if list, err := s.List(); err != nil || len(list) != 0 {
		t.Errorf("%v, %v", list, err)
	}
}

// While a lot is being opened none of its jobs can be taken away.
func TestJobStaysWhileALotIsOpened(t *testing.T) {
	reading := make(chan struct{})
	b, _ := withShelf(t, 32<<20, upright, func(o *Options) {
		inspect := o.Inspect
		o.Inspect = func(ctx context.Context, path string, part job.Lines) (*job.Plan, error) {
			close(reading)
			return inspect(ctx, path, part)
		}
	})
	b.upload("clip.gcode", clip(t))
	b.run.wait = make(chan struct{})
	done := make(chan int)
	go func() { done <- b.ask("POST", "/api/v1/lots", `{"jobs":["clip.gcode"],"good":[1]}`).Code }()
	<-reading
	if w := b.ask("DELETE", "/api/v1/jobs/clip.gcode", ""); w.Code != 409 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	close(b.run.wait)
	if code := <-done; code != 200 {
		t.Errorf("%d", code)
	}
}

func TestUploadsThatAreRefused(t *testing.T) {
	b, s := withShelf(t, 2000)
	long := strings.Repeat("G4 P1\n", 400)
	for _, c := range []struct {
		name, query, body, kind string
		want                    int
	}{
		{"no name", "", "G28\n", "", 422},
		{"an empty name", "name=", "G28\n", "", 422},
		{"up", "name=..", "G28\n", "", 422}, {"up", "name=%2e%2e%2f", "G28\n", "", 422}, {"up", `name=..%5C..%5C`, "G28\n", "", 422},
		{"a control character", "name=%00", "G28\n", "", 422},
		{"too large", "name=clip.gcode", long, "", 413},
		{"a form", "name=clip.gcode", "G28\n", "multipart/form-data; boundary=x", 415},
		{"a form", "name=clip.gcode", "G28\n", "application/x-www-form-urlencoded", 415},
	} {
		w := b.ask("POST", "/api/v1/jobs?"+c.query, c.body, "Content-Type", c.kind)
		if problemOf(t, w); w.Code != c.want {
			t.Errorf("%s: %d %s", c.name, w.Code, w.Body)
		}
	}
	r := httptest.NewRequest("POST", "http://127.0.0.1/api/v1/jobs?name=clip.gcode", nil)
	r.ContentLength = 1e12 // announced and never sent
	w := httptest.NewRecorder()
	if b.ServeHTTP(w, r); w.Code != 413 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if list, err := s.List(); err != nil || len(list) != 0 {
		t.Errorf("%v, %v", list, err)
	}
	if code, _, text := b.upload("clip.gcode", long[:2000]); code != 201 {
		t.Errorf("%d %s", code, text)
	}
}

// What is stored stays in the folder, whatever it is called, and no other file is read.
func TestJobNamesLeadNowhere(t *testing.T) {
	b, s := withShelf(t, 1<<20)
	for _, name := range []string{"../../x.gcode", `..\..\x.gcode`, "/etc/x.gcode", `C:\x.gcode`, "%2e%2e%2fx.gcode", "x\x00.gcode", "x.gcode\r\nX-Bad: 1",
		"\uff0e\uff0e\uff0fx.gcode", "\u202ex.gcode", ".x.gcode", "NUL", "con.gcode", strings.Repeat("../", 2000) + "x.gcode", strings.Repeat("x", 9000)} {
		code, j, text := b.upload(name, "G28 ; "+fmt.Sprintf("%q", name))
		if code != 201 {
			t.Errorf("%q: %d %s", name, code, text)
			continue
		}
		if filepath.Dir(j.Path) != s.Dir() || len(j.Name) > shelf.MaxName || strings.ContainsAny(j.Name, "/\\\r\n\x00") {
			t.Errorf("%q became %q", name, j.Path)
		}
	}
	for _, path := range []string{"..", "%2e%2e", "..%2f..%2fetc%2fpasswd", "..%5c..%5cx", "%2fetc%2fpasswd", ".sums.json", "x%00.gcode", strings.Repeat("x", 9000)} {
		for _, method := range []string{"GET", "DELETE"} {
			if w := b.ask(method, "/api/v1/jobs/"+path, ""); w.Code/100 == 2 {
				t.Errorf("%s %s: %d %s", method, path, w.Code, w.Body)
			}
		}
	}
}

func TestWithoutAFolderForJobs(t *testing.T) {
	b := setUp(t)
	for _, r := range [][2]string{{"GET", "/api/v1/jobs"}, {"POST", "/api/v1/jobs?name=x"}, {"GET", "/api/v1/jobs/x"}, {"DELETE", "/api/v1/jobs/x"}} {
		w := b.ask(r[0], r[1], "")
		if p := problemOf(t, w); w.Code != 503 || !strings.Contains(p.Remedy, "jobs_folder") {
			t.Errorf("%v: %d %s", r, w.Code, w.Body)
		}
	}
}

// TestLookersKeepNoOperatorWaiting: whoever may only look has job files read in a short line of
// his own, however many he asks for; an operator reads and orders meanwhile.
func TestLookersKeepNoOperatorWaiting(t *testing.T) {
	release := make(chan struct{})
	var held atomic.Bool
	b, _ := withShelf(t, 32<<20, upright, func(o *Options) {
		inspect := o.Inspect
		o.Inspect = func(ctx context.Context, path string, part job.Lines) (*job.Plan, error) {
			if held.CompareAndSwap(false, true) {
				<-release // the first, a looker's, takes its time
			}
			return inspect(ctx, path, part)
		}
	})
	b.upload("clip.gcode", clip(t))
	const operates, looks = "0123456789abcdef", "fedcba9876543210"
	b.Handler = gate(t, access.Options{Operate: access.SecretOf([]byte(operates)), Look: access.SecretOf([]byte(looks))}, b.plain)
	statuses := make(chan int, 60)
	for range 60 {
		go func() {
			r := httptest.NewRequest("GET", "/api/v1/jobs/clip.gcode", nil)
			r.Host = "127.0.0.1"
			r.Header.Set("Authorization", "Bearer "+looks)
			w := httptest.NewRecorder()
			b.ServeHTTP(w, r)
			statuses <- w.Code
		}()
	}
	for range 60 - maxViewers {
		if code := <-statuses; code != 503 {
			t.Errorf("a looker beyond the bound: %d", code)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	for _, q := range [][2]string{{"GET", "/api/v1/jobs/clip.gcode"}, {"POST", "/api/v1/lots"}} {
		r := httptest.NewRequestWithContext(ctx, q[0], q[1], strings.NewReader(`{"jobs":["clip.gcode"],"good":[1]}`))
		r.Host = "127.0.0.1"
		r.Header.Set("Authorization", "Bearer "+operates)
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		if b.ServeHTTP(w, r); w.Code != 200 {
			t.Errorf("an operator, %s %s: %d %s", q[0], q[1], w.Code, w.Body)
		}
	}
	close(release)
	for range maxViewers {
		if code := <-statuses; code != 200 {
			t.Errorf("a looker: %d", code)
		}
	}
}
