package app

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/user"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"beltwarden/config"
	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

const (
	operates = "wide-open-greenhouse-42"
	looks    = "glass-front-door-17"
)

// locked are settings with a secret for each role.
func locked(t *testing.T) *config.Settings {
	t.Helper()
	c := settings(t)
	dir := t.TempDir()
	c.Server.SecretFile, c.Server.LookSecretFile = filepath.Join(dir, "operate"), filepath.Join(dir, "look")
	for path, text := range map[string]string{c.Server.SecretFile: operates, c.Server.LookSecretFile: looks} {
		if err := os.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return c
}

// ask makes one request and returns status and text.
func ask(t *testing.T, h *http.Client, method, url, body string, lines ...string) (int, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lines {
		k, v, _ := strings.Cut(l, ": ")
		if k == "Host" {
			r.Host = v
			continue
		}
		r.Header.Set(k, v)
	}
	res, err := h.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(text)
}

// TestLookingAndOperating: a looker reads pages, interface and metrics, and acts on none.
// The pages leave out what would be refused. No secret gets into anything that is shown.
func TestLookingAndOperating(t *testing.T) {
	c, r := locked(t), machine(t)
	c.Server.PublicURL = "http://belt.workshop.example"
	var log safeBuffer
	a := start(t, Options{Config: c, Opener: r.Open, Log: zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(zap.NewProductionEncoderConfig()), &log, zap.DebugLevel))})
	h := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer h.CloseIdleConnections()
	url, shown := "http://"+a.Addr(), ""
	as := func(secret string) string { return "Authorization: Bearer " + secret }
	expect := func(status int, says, method, path, body string, lines ...string) {
		t.Helper()
		got, text := ask(t, h, method, url+path, body, lines...)
		if shown += text; got != status || !strings.Contains(text, says) {
			t.Errorf("%s %s: %d %.200s; want %d, %q", method, path, got, text, status, says)
		}
	}
	const json = "Content-Type: application/json"
	reach(t, connect(t, url, client.WithSecret(looks)), supervisor.Idle)
	expect(200, "What you can do", "GET", "/", "", as(operates))
	expect(200, "Where the parts are", "GET", "/", "", as(looks))
	if _, page := ask(t, h, "GET", url+"/", "", as(looks)); strings.Contains(page, "<form method=\"post\" action=\"/command\"") || strings.Contains(page, "What you can do") {
		t.Error("a looker is shown what would be refused")
	}
	expect(403, "view-only access", "POST", "/api/v1/commands", `{"command":"stop"}`, json, as(looks))
	expect(200, `"state"`, "POST", "/api/v1/commands", `{"command":"stop"}`, json, as(operates))
	expect(200, "beltwarden_access_refused_total", "GET", "/metrics", "", as(looks))
	expect(401, "needs a secret", "GET", "/api/v1/status", "")
	expect(401, "wrong", "GET", "/api/v1/status", "", as("x"+operates))
	expect(401, "wrong", "GET", "/api/v1/status?secret="+operates, "", as(operates+" "+looks))
	expect(421, "name that is not this computer's", "GET", "/", "", "Host: evil.example")
	expect(303, "", "GET", "/", "", "Host: belt.workshop.example", "Accept: text/html")
	expect(403, "another site", "POST", "/api/v1/commands", `{"command":"stop"}`, json, as(operates), "Origin: https://evil.example")
	expect(200, "", "GET", "/healthz", "")
	events, err := a.Ledger().Events(t.Context(), 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	shown += log.String() + fmt.Sprint(events)
	if _, text := ask(t, h, "GET", url+"/metrics", "", as(operates)); strings.Contains(text, operates) {
		t.Error("a secret is in the metrics")
	}
	for _, secret := range []string{operates, looks} {
		if strings.Contains(shown, secret) {
			t.Error("a secret is in what was shown")
		}
	}
}

// safeBuffer is a log that is read while it is written.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) Sync() error { return nil }

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// TestWrongSecretsAreTold: who guesses is turned away, by the word of the proxy, and the
// operator is called once.
func TestWrongSecretsAreTold(t *testing.T) {
	c, r := locked(t), machine(t)
	c.Server.TrustedProxy = "127.0.0.1"
	a := start(t, Options{Config: c, Opener: r.Open})
	var wait sync.WaitGroup
	for range 14 {
		wait.Go(func() {
			ask(t, http.DefaultClient, "GET", "http://"+a.Addr()+"/api/v1/status", "", "X-Forwarded-For: 198.51.100.9", "Authorization: Bearer guess")
		})
	}
	wait.Wait()
	defer http.DefaultClient.CloseIdleConnections()
	if status, _ := ask(t, http.DefaultClient, "GET", "http://"+a.Addr()+"/api/v1/status", "", "X-Forwarded-For: 198.51.100.9", "Authorization: Bearer "+operates); status != 429 {
		t.Errorf("the guesser: %d", status)
	}
	if status, _ := ask(t, http.DefaultClient, "GET", "http://"+a.Addr()+"/api/v1/status", "", "X-Forwarded-For: 198.51.100.8", "Authorization: Bearer "+operates); status != 200 {
		t.Errorf("a neighbour behind the same proxy: %d", status)
	}
	alerts, err := a.Ledger().PendingAlerts(t.Context(), "test", time.Now(), 10)
	if err != nil {
		t.Fatal(err)
	}
	shown := 0
	for _, al := range alerts {
		if al.Kind == "access" {
			shown++
			if !strings.Contains(al.Text, "198.51.100.9") {
				t.Errorf("sent: %s", al.Text)
			}
		}
	}
	if shown != 1 {
		t.Errorf("sent %d times", shown)
	}
}

// TestWhoIsKeptByThePages: over the socket the pages, too, keep the user's name that the kernel
// reported beside the one that was typed.
func TestWhoIsKeptByThePages(t *testing.T) {
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	c, r := settings(t), machine(t)
	a := start(t, Options{Config: c, Opener: r.Open})
	transport := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", c.Server.Socket)
	}}
	defer transport.CloseIdleConnections()
	h := &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	if status, text := ask(t, h, "POST", "http://beltwarden/visit", "note=dusty&by=Anna+(root)", "Content-Type: application/x-www-form-urlencoded"); status != http.StatusSeeOther {
		t.Fatalf("%d %s", status, text)
	}
	checks, err := a.Ledger().Checks(t.Context(), 0, 0)
	if err != nil || len(checks) != 1 || checks[0].By != "Anna [root] ("+me.Username+")" {
		t.Errorf("%+v, %v", checks, err)
	}
}
