package alert

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor/ledger"
)

// patience bounds waits that only a hang makes long: generous, since the computer may be slow and busy.
const patience = 5 * time.Minute

// receiver plays a webhook's other end in memory, so that virtual time passes.
type receiver struct {
	mu    sync.Mutex
	calls []call
	act   func(n int, r *http.Request) (status int, header http.Header, err error) // nth call from 0
}

type call struct {
	at   time.Time
	id   string
	took bool
}

func (f *receiver) RoundTrip(r *http.Request) (*http.Response, error) {
	f.mu.Lock()
	n := len(f.calls)
	f.calls = append(f.calls, call{time.Now(), r.Header.Get(AlertIDHeader), false})
	act := f.act
	f.mu.Unlock()
	status, header, err := 204, http.Header(nil), error(nil)
	if act != nil {
		status, header, err = act(n, r)
	}
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	f.calls[n].took = status/100 == 2
	f.mu.Unlock()
	w := httptest.NewRecorder()
	for k, v := range header {
		w.Header()[k] = v
	}
	w.WriteHeader(status)
	return w.Result(), nil
}

// taken lists the alerts that the receiver took, in order, repeats included.
func (f *receiver) taken() (ids []string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, c := range f.calls {
		if c.took {
			ids = append(ids, c.id)
		}
	}
	return ids
}

func (f *receiver) list() []call {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.calls)
}

func (f *receiver) set(act func(int, *http.Request) (int, http.Header, error)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.act = act
}

func answers(status int) func(int, *http.Request) (int, http.Header, error) {
	return func(int, *http.Request) (int, http.Header, error) { return status, nil, nil }
}

var errDown = errors.New("connection refused")

func down(int, *http.Request) (int, http.Header, error) { return 0, nil, errDown }

// slow answers when the caller has given up.
func slow(_ int, r *http.Request) (int, http.Header, error) {
	<-r.Context().Done()
	return 0, nil, r.Context().Err()
}

var testRetry = Retry{First: 5 * time.Second, Limit: 2 * time.Minute}

func openLedger(t *testing.T, path string) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func hook(t *testing.T, to http.RoundTripper) *Webhook {
	t.Helper()
	w, err := NewWebhook(WebhookOptions{URL: "https://alerts.example.org/clips?key=s3cret", Timeout: 3 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	w.client.Transport = to
	return w
}

// work runs a worker until the returned function is called.
func work(t *testing.T, o Outbox, f *receiver) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		newWorker(o, hook(t, f), &Writer{Machine: "clip press"}, Policy{}, testRetry, zap.NewNop()).run(ctx)
	}()
	return func() { cancel(); <-done }
}

func raise(t *testing.T, l *ledger.Ledger, n int) {
	t.Helper()
	a := ledger.Alert{ID: fmt.Sprintf("s-%d", n), Kind: "check_parts", State: "Held", Reason: "check_parts", Text: "come and look"}
	if err := l.Commit(t.Context(), ledger.AlertQueued{Alert: a}); err != nil {
		t.Fatal(err)
	}
}

func pending(t *testing.T, l *ledger.Ledger) ledger.Receiver {
	t.Helper()
	all, err := l.AlertQueue(t.Context())
	if err != nil || len(all) != 1 {
		t.Fatalf("%d receivers, %v", len(all), err)
	}
	return all[0]
}

func wants(t *testing.T, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Fatalf("the receiver took %v, want %v", got, want)
	}
}
