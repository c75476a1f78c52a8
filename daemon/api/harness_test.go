package api

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/goleak"
	"go.uber.org/zap"

	"beltwarden/daemon/access"
	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// script plays the run: it keeps what it was asked and answers as set.
type script struct {
	shot  supervisor.Snapshot
	asked []supervisor.Request
	err   error
	wait  chan struct{} // when not nil, Do waits for it
}

func (s *script) Snapshot() *supervisor.Snapshot { shot := s.shot; return &shot }

func (s *script) Do(_ context.Context, r supervisor.Request) (supervisor.Result, error) {
	s.asked = append(s.asked, r)
	if s.wait != nil {
		<-s.wait
	}
	return supervisor.Result{LotID: int64(len(s.asked)), State: supervisor.Held, Text: "done"}, s.err
}

type bench struct {
	run    *script
	ledger *ledger.Ledger
	http.Handler
	plain http.Handler // without the guard
	t     testing.TB
}

func setUp(t *testing.T, alter ...func(*Options)) *bench {
	t.Helper()
	l, err := ledger.Open(filepath.Join(t.TempDir(), "l.db"), ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	b := &bench{run: new(script), ledger: l, t: t}
	b.run.shot.State = supervisor.Held
	o := Options{Run: b.run, Ledger: l, Log: zap.NewNop(), Alerts: calls(l, new(phone)),
		Inspect: func(_ context.Context, path string, part job.Lines) (*job.Plan, error) {
			return job.Inspect(t.Context(), path, job.Options{}, nil)
		},
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { text(w, 200, "metrics") })}
	for _, a := range alter {
		a(&o)
	}
	b.Handler = gate(t, access.Options{BoundsBody: func(r *http.Request) bool { return r.URL.Path == "/api/v1/jobs" }}, New(o))
	b.plain = New(o)
	return b
}

// gate puts the interface behind who may ask.
func gate(t *testing.T, o access.Options, next http.Handler) http.Handler {
	t.Helper()
	g, err := access.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.Close)
	return g.Handler(next)
}

// ask makes one request over loopback; headers are name, value pairs.
func (b *bench) ask(method, path, body string, headers ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host = "127.0.0.1:7353"
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(headers); i += 2 {
		if headers[i] == "Host" {
			r.Host = headers[i+1]
			continue
		}
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	conforms(b.t, r, []byte(body), w)
	return w
}

// problemOf reads a problem and checks its form (RFC 9457).
func problemOf(t *testing.T, w *httptest.ResponseRecorder) client.Problem {
	t.Helper()
	var p client.Problem
	d := json.NewDecoder(bytes.NewReader(w.Body.Bytes()))
	d.DisallowUnknownFields()
	if err := d.Decode(&p); err != nil || w.Header().Get("Content-Type") != "application/problem+json" ||
		p.Type != "about:blank" || p.Status != w.Code || p.Title != http.StatusText(w.Code) || p.Detail == "" || p.Remedy == "" {
		t.Errorf("no problem: %d %s %s (%v)", w.Code, w.Header(), w.Body, err)
	}
	return p
}
