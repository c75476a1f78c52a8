package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"beltwarden/daemon/access"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

func TestCommandReachesTheRun(t *testing.T) {
	b := setUp(t)
	w := b.ask("POST", "/api/v1/commands", `{"command":"stop","by":"Ada","override":"it is late","after_part":true,"clear_belt":true}`)
	if w.Code != 200 || len(b.run.asked) != 1 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if got, want := b.run.asked[0], (supervisor.Request{Command: supervisor.Stop, By: "Ada", Override: "it is late", AfterPart: true, ClearBelt: true}); got != want {
		t.Errorf("%+v", got)
	}
	if got := strings.TrimSpace(w.Body.String()); got != `{"lot":1,"state":"Held","text":"done"}` {
		t.Errorf("the answer is %s", got)
	}
}

func TestCheckReachesTheRun(t *testing.T) {
	b := setUp(t)
	w := b.ask("POST", "/api/v1/checks", `{"offset_mm":-1.5,"lengths_mm":[36.1],"good":4,"scrap":{"warped":1},"realigned":true,"by":"Ada"}`)
	if w.Code != 200 || len(b.run.asked) != 1 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	v := b.run.asked[0].Visit
	if v == nil || *v.OffsetMM != -1.5 || v.LengthsMM[0] != 36.1 || v.Good != 4 || v.Scrap["warped"] != 1 || !v.Realigned || b.run.asked[0].By != "Ada" {
		t.Errorf("%+v", v)
	}
}

func TestErrorsOfTheRun(t *testing.T) {
	for _, c := range []struct {
		err  error
		want int
		text string
	}{
		{&supervisor.Refusal{What: "unhold", Why: "the belt is off its place", Remedy: "realign it"}, 409, "cannot unhold: the belt is off its place"},
		{supervisor.ErrEnded, 503, "shutting down"},
		{fmt.Errorf("check 3: %w", ledger.ErrTooMany), 409, "more parts claimed"},
		{fmt.Errorf("cannot write: %w", ledger.ErrFull), 507, "no room"},
		{context.DeadlineExceeded, 503, "too long"},
		{errors.New("something else"), 500, "something else"},
	} {
		b := setUp(t)
		b.run.err = c.err
		w := b.ask("POST", "/api/v1/commands", `{"command":"unhold"}`)
		if p := problemOf(t, w); w.Code != c.want || !strings.Contains(p.Detail, c.text) {
			t.Errorf("%v: %d %s", c.err, w.Code, w.Body)
		}
	}
}

func TestBadInput(t *testing.T) {
	b := setUp(t)
	for _, c := range []struct {
		path, body string
		want       int
		text       string
	}{
		{"commands", `{"command":"hold","offset":1}`, 422, `no field "offset"`},
		{"commands", `{"command":"print"}`, 422, "print"},
		{"commands", `{"command":7}`, 422, "command"},
		{"commands", `{}`, 422, "command"},
		{"commands", `{"command":"(state complete)"}`, 422, "none of the ten"},
		{"commands", `{"command":"hold","after_part":true}`, 422, "after_part"},
		{"commands", `{"command":"hold"}{}`, 400, "after the JSON object"},
		{"commands", `{"command":`, 400, "too early"},
		{"commands", `{"command":]`, 400, "byte"},
		{"commands", `[]`, 422, "array"},
		{"commands", "\x00\xff", 400, "byte"},
		{"checks", `{"good":"four"}`, 422, `"good"`},
		{"checks", `{"good":1.5}`, 422, `"good"`},
		{"checks", `{"scrap":{"warped":"x"}}`, 422, "scrap"},
		{"lots", `{"jobs":[],"good":[]}`, 422, "no job file"},
		{"lots", `{"jobs":["clip.gcode"],"good":[0],"order":"both"}`, 422, "order"},
		{"lots", `{"jobs":["/a","/b"],"good":[1,2,3]}`, 422, "3 counts for 2 jobs"},
		{"lots/0/end", `{}`, 404, "number"}, {"lots/x/end", `{}`, 404, "number"}, {"lots/9/end", `{}`, 404, "lot 9"},
	} {
		w := b.ask("POST", "/api/v1/"+c.path, c.body)
		if p := problemOf(t, w); w.Code != c.want || !strings.Contains(p.Detail, c.text) {
			t.Errorf("%s %q: %d %s", c.path, c.body, w.Code, w.Body)
		}
	}
	if len(b.run.asked) != 0 {
		t.Errorf("the run was asked %+v", b.run.asked)
	}
	w := b.ask("POST", "/api/v1/lots", `{"jobs":["clip.gcode"],"good":[0],"order":"both"}`)
	for _, want := range []string{"absolute", "good[0]", "order"} { // every mistake, not only the first
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("the answer lacks %q: %s", want, w.Body)
		}
	}
	problemOf(t, b.ask("POST", "/api/v1/commands", `{"command":"hold"}`, "Content-Type", "text/plain"))
	big := `{"command":"hold","by":"` + strings.Repeat("x", 1<<20) + `"}`
	for _, key := range []string{"", "k"} {
		if w := b.ask("POST", "/api/v1/commands", big, "Idempotency-Key", key); w.Code != 413 {
			t.Errorf("a request of %d bytes: %d", len(big), w.Code)
		}
	}
}

func TestQueries(t *testing.T) {
	b := setUp(t)
	for _, q := range []string{"limit=0", "limit=-1", "limit=1001", "limit=x", "after=-1", "after=1e3"} {
		if w := b.ask("GET", "/api/v1/events?"+q, ""); w.Code != 400 {
			t.Errorf("%s: %d", q, w.Code)
		}
	}
	for _, path := range []string{"/api/v1/events", "/api/v1/lots"} {
		if w := b.ask("GET", path, ""); w.Code != 200 || strings.TrimSpace(w.Body.String()) != "[]" {
			t.Errorf("%s of an empty ledger: %d %s", path, w.Code, w.Body)
		}
	}
	if w := b.ask("GET", "/api/v1/lots/1", ""); w.Code != 404 || problemOf(t, w).Detail == "" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := b.ask("GET", "/metrics", ""); w.Code != 200 || w.Body.String() != "metrics\n" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// TestAnswersAreRounded: numbers come as precisely as they are known, counts and times as they are.
func TestAnswersAreRounded(t *testing.T) {
	b := setUp(t)
	mm := 0.1 + 0.2
	b.run.shot = supervisor.Snapshot{State: supervisor.Held, At: time.Date(2026, 3, 2, 12, 0, 0, 123456789, time.FixedZone("", 3600)),
		Belt: supervisor.BeltView{TravelMM: 1234567.8912345, OffsetMM: &mm}, Heat: supervisor.HeatView{NozzleC: 204.63999999},
		Lot: &supervisor.LotView{ID: 9007199254740993, Made: 88888}}
	text := b.ask("GET", "/api/v1/status", "").Body.String()
	for _, want := range []string{`"travel_mm":1234567.891`, `"offset_mm":0.3`, `"nozzle_c":204.6`, `"id":9007199254740993`, `"made":88888`, `"at":"2026-03-02T12:00:00.123456789+01:00"`} {
		if !strings.Contains(text, want+",") && !strings.Contains(text, want+"}") {
			t.Errorf("no %s in %s", want, text)
		}
	}
}

func TestUnknownPathsAndMethods(t *testing.T) {
	b := setUp(t)
	if w := b.ask("GET", "/api/v2/status", ""); w.Code != 404 {
		t.Errorf("%d", w.Code)
	} else {
		problemOf(t, w)
	}
	w := b.ask("DELETE", "/api/v1/lots", "")
	if problemOf(t, w); w.Code != 405 || !strings.Contains(w.Header().Get("Allow"), "POST") {
		t.Errorf("%d, %s", w.Code, w.Header())
	}
}

func TestHealthAndReadiness(t *testing.T) {
	b := setUp(t)
	if w := b.ask("GET", "/healthz", ""); w.Code != 200 {
		t.Errorf("%d", w.Code)
	}
	b.run.shot.Line.Problem = "no such port"
	if w := b.ask("GET", "/readyz", ""); w.Code != 503 || !strings.Contains(w.Body.String(), "no such port") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	b.run.shot.Line.Connected = true
	if w := b.ask("GET", "/readyz", ""); w.Code != 200 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	b.ledger.Close()
	if w := b.ask("GET", "/readyz", ""); w.Code != 503 || !strings.Contains(w.Body.String(), "ledger") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := b.ask("GET", "/api/v1/lots", ""); w.Code != 500 {
		t.Errorf("lots of a closed ledger: %d %s", w.Code, w.Body)
	}
}

func TestEndLot(t *testing.T) {
	b := setUp(t)
	b.run.shot.Lot = &supervisor.LotView{ID: 4}
	if w := b.ask("POST", "/api/v1/lots/4/end", `{"by":"Ada","reason":"the order was withdrawn"}`); w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if got, want := b.run.asked[0], (supervisor.Request{EndLot: true, By: "Ada", Override: "the order was withdrawn"}); got != want {
		t.Errorf("%+v", got)
	}
	lot := ledger.Lot{ID: 3, Name: "clips", Order: ledger.OrderBlocks, Jobs: []ledger.LotJob{{Path: "/j", SHA256: strings.Repeat("0", 64), Name: "j", GoodOrdered: 1}}}
	if err := b.ledger.Commit(t.Context(), ledger.LotOpened{Lot: lot}); err != nil {
		t.Fatal(err)
	}
	if w := b.ask("POST", "/api/v1/lots/3/end", `{}`); w.Code != 409 || len(b.run.asked) != 1 {
		t.Errorf("the end of a lot that is not in work: %d %s", w.Code, w.Body)
	}
}

// A web page cannot give commands to the daemon of whoever looks at it.
func TestWebPagesAreTurnedAway(t *testing.T) {
	b := setUp(t)
	const path, body = "/api/v1/commands", `{"command":"start"}`
	for _, h := range [][]string{
		{"Sec-Fetch-Site", "cross-site"}, {"Origin", "https://evil.example"},
		{"Host", "evil.example", "Origin", "http://evil.example"}, // a name made to resolve to 127.0.0.1
		{"Host", "evil.example:7353"}, {"Host", "192.0.2.1"}, {"Host", ""}, {"Host", "127.0.0.1.evil.example"},
	} {
		if w := b.ask("POST", path, body, h...); w.Code != 403 && w.Code != 421 {
			t.Errorf("%v: %d", h, w.Code)
		} else {
			problemOf(t, w)
		}
	}
	if w := b.ask("GET", "/api/v1/status", "", "Host", "evil.example"); w.Code != 421 {
		t.Errorf("status by another name: %d", w.Code)
	}
	if len(b.run.asked) != 0 {
		t.Fatalf("the run was asked %+v", b.run.asked)
	}
	for _, host := range []string{"127.0.0.1:7353", "localhost:7353", "[::1]:7353", "[::1]", "LOCALHOST"} {
		if w := b.ask("POST", path, body, "Host", host); w.Code != 200 {
			t.Errorf("%s: %d %s", host, w.Code, w.Body)
		}
	}
}

func TestSecretIsAskedFor(t *testing.T) {
	b := setUp(t)
	b.Handler = gate(t, access.Options{Operate: access.SecretOf([]byte("0123456789abcdef"))}, b.plain)
	for _, h := range []string{"", "Bearer", "Bearer 0123456789abcdeF", "Basic 0123456789abcdef", "0123456789abcdef"} {
		w := b.ask("GET", "/api/v1/status", "", "Authorization", h, "Host", "192.0.2.7:7353")
		if problemOf(t, w); w.Code != 401 || w.Header().Get("WWW-Authenticate") == "" {
			t.Errorf("%q: %d", h, w.Code)
		}
	}
	if w := b.ask("GET", "/api/v1/status", "", "Authorization", "Bearer 0123456789abcdef", "Host", "workshop.example"); w.Code != 200 {
		t.Errorf("%d", w.Code)
	}
	if w := b.ask("GET", "/healthz", ""); w.Code != 200 {
		t.Errorf("%d", w.Code)
	}
}

func TestSnapshotTravels(t *testing.T) {
	b := setUp(t)
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	b.run.shot = supervisor.Snapshot{At: at, State: supervisor.Execute, Accepts: []string{"hold"}, Lot: &supervisor.LotView{ID: 7, Good: 3}}
	w := b.ask("GET", "/api/v1/status", "")
	var got supervisor.Snapshot
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || got.State != supervisor.Execute || !got.At.Equal(at) || got.Lot.Good != 3 {
		t.Errorf("%+v, %v", got, err)
	}
	if w.Header().Get("Cache-Control") != "no-store" || w.Header().Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("%v", w.Header())
	}
}
