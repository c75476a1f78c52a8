package app

import (
	"encoding/base32"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/access"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

var base32Link = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// calledPhone is a receiver of alerts that keeps the links of its messages by the alert's identity.
type calledPhone struct {
	mu    sync.Mutex
	links map[string]string
}

func (p *calledPhone) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var m struct {
		ID     string `json:"id"`
		Coming string `json:"coming_url"`
	}
	_ = json.NewDecoder(r.Body).Decode(&m)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.links[m.ID] = m.Coming
}

func (p *calledPhone) link(t *testing.T, alert string) string {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		p.mu.Lock()
		link, came := p.links[alert]
		p.mu.Unlock()
		if came {
			return link
		}
	}
	t.Fatalf("the message about %s did not come", alert)
	return ""
}

// TestSignedLinks: the link of a message acknowledges, once and for nobody who was let in, and does
// nothing else. Whoever opens it, alters it, keeps it too long or makes one of his own changes nothing.
func TestSignedLinks(t *testing.T) {
	c, r := locked(t), machine(t)
	c.Server.PublicURL, c.Server.TrustedProxy = "https://belt.workshop.example", "127.0.0.1"
	phone := &calledPhone{links: map[string]string{}}
	server := httptest.NewServer(phone)
	defer server.Close()
	c.Alerts.Webhooks = []config.Webhook{{Receiver: config.Receiver{Name: "phone"}, URL: server.URL}}
	c.Alerts.RetryFirst, c.Alerts.RetryLimit = time.Second, time.Second
	a := start(t, Options{Config: c, Opener: r.Open})
	h := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer h.CloseIdleConnections()
	from, attacks, through := 0, 0, 0
	visit := func(method, link string, lines ...string) (int, string) {
		t.Helper()
		from++
		path := strings.TrimPrefix(link, c.Server.PublicURL)
		return ask(t, h, method, "http://"+a.Addr()+path, "", append([]string{"Host: belt.workshop.example", "X-Forwarded-Proto: https", "Accept: text/html",
			fmt.Sprintf("X-Forwarded-For: 198.51.%d.%d", 100+from/200, 1+from%200)}, lines...)...)
	}
	raise := func(id string) string {
		t.Helper()
		q := ledger.Alert{ID: id, Kind: "check_parts", State: "Held", Reason: "check_parts", Text: "5 parts since the last check; one is due every 5",
			Payload: []byte(`{"machine":"clip press","advice":"read the lateral offset","lot":{"id":73,"name":"secret order","made":5,"ordered":40,"unverified":5}}`)}
		if err := a.Ledger().Commit(t.Context(), ledger.AlertQueued{Alert: q}); err != nil {
			t.Fatal(err)
		}
		return phone.link(t, id)
	}
	acted := func() string {
		t.Helper()
		last, err := a.Ledger().LastResponse(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("%d %s by %s", last.Stamp.Seq, last.What, last.By)
	}
	link := raise("s-1")
	if !strings.HasPrefix(link, c.Server.PublicURL+access.ComingPath) || len(link) > 160 {
		t.Fatalf("the link is %q", link)
	}
	for end := time.Now().Add(patience); a.Snapshot().State != supervisor.Idle && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
	}
	before := acted()

	// Opening it shows the alert, and changes nothing: mail scanners and previews do.
	for _, lines := range [][]string{nil, {"Accept: */*"}, {"Sec-Fetch-Site: cross-site"}, {"Purpose: prefetch"}} {
		status, text := visit("GET", link, lines...)
		if status != http.StatusOK || !strings.Contains(text, "Check due, clip press: 5 parts wait") || !strings.Contains(text, ">I am coming<") {
			t.Errorf("%v: %d %s", lines, status, text)
		}
		for _, secret := range []string{"secret order", "73", "lateral", "ordered", "beltwarden_", "40"} {
			if strings.Contains(text, secret) {
				t.Errorf("the page shows %q", secret)
			}
		}
	}
	if status, _ := visit("HEAD", link); status != http.StatusOK {
		t.Errorf("HEAD: %d", status)
	}

	var other access.LinkKey
	good := access.Link{Alert: "s-1", Receiver: "phone", Until: time.Now().Add(time.Hour)}
	signed := func(k *access.LinkKey, l access.Link) string {
		return c.Server.PublicURL + access.ComingPath + k.Sign(l)
	}
	token := strings.TrimPrefix(link, c.Server.PublicURL+access.ComingPath)
	raw, err := base32Link.DecodeString(token)
	if err != nil {
		t.Fatal(err)
	}
	forged := []string{"", "x", ".", "%00", "..%2fmetrics", token + "A", token + "/", token + "=", token[1:], token[:len(token)-4], strings.ToUpper(token), strings.Repeat("A", 5000), token + token}
	for i := range raw {
		turned := slices.Clone(raw)
		turned[i] ^= 1
		forged = append(forged, base32Link.EncodeToString(turned))
	}
	for i := range forged {
		forged[i] = c.Server.PublicURL + access.ComingPath + forged[i]
	}
	forged = append(forged, signed(&other, good))
	attack := func(what string, want int, method, link string, lines ...string) {
		t.Helper()
		attacks++
		status, text := visit(method, link, lines...)
		if now := acted(); status != want || now != before || strings.Contains(text, "5 parts since") && status >= 400 && status != http.StatusGone {
			through++
			t.Errorf("%s, %s: %d, want %d; last acted %s, before %s", what, method, status, want, now, before)
		}
	}
	for _, f := range forged {
		attack("forged "+f[len(c.Server.PublicURL):min(len(f), 90)], http.StatusForbidden, "GET", f)
		attack("forged "+f[len(c.Server.PublicURL):min(len(f), 90)], http.StatusForbidden, "POST", f)
	}
	old := good
	old.Until = time.Now().Add(-time.Second)
	foreign := good
	foreign.Alert = "s-999"
	for _, method := range []string{"GET", "POST"} {
		attack("expired", http.StatusGone, method, signed(&a.links.Key, old))
		attack("of a foreign alert", http.StatusNotFound, method, signed(&a.links.Key, foreign))
		attack("under a foreign name", http.StatusMisdirectedRequest, method, link, "Host: evil.example")
	}
	for _, method := range []string{"PUT", "DELETE", "PATCH", "OPTIONS", "get"} {
		attack("another method", http.StatusMethodNotAllowed, method, link)
	}
	attack("by another site's page", http.StatusForbidden, "POST", link, "Origin: https://evil.example")
	attack("by another site's page", http.StatusForbidden, "POST", link, "Sec-Fetch-Site: cross-site")
	attack("as a way in", http.StatusSeeOther, "GET", c.Server.PublicURL+"/lots", "Referer: "+link)
	attack("as a secret", http.StatusUnauthorized, "POST", c.Server.PublicURL+"/command", "Authorization: Bearer "+token)
	attack("as a session", http.StatusSeeOther, "POST", c.Server.PublicURL+"/visit", "Cookie: __Host-beltwarden="+token)

	// Eight at once, and one of them counts.
	var all sync.WaitGroup
	statuses := make([]int, 8)
	for i := range statuses {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+a.Addr()+strings.TrimPrefix(link, c.Server.PublicURL), nil)
		if err != nil {
			t.Fatal(err)
		}
		request.Host = "belt.workshop.example"
		all.Go(func() {
			if res, err := h.Do(request); err == nil {
				statuses[i] = res.StatusCode
				_ = res.Body.Close()
			}
		})
	}
	all.Wait()
	slices.Sort(statuses)
	if want := []int{200, 410, 410, 410, 410, 410, 410, 410}; !slices.Equal(statuses, want) {
		t.Errorf("pressed eight times at once: %v", statuses)
	}
	if last := acted(); !strings.HasSuffix(last, " acknowledged by link sent to phone") {
		t.Errorf("the ledger says: %s", last)
	}
	before = acted()
	attack("used", http.StatusGone, "GET", link)
	attack("used", http.StatusGone, "POST", link)
	if now := a.Snapshot().State; now != supervisor.Idle {
		t.Errorf("the machine was Idle and is %s", now)
	}

	// A restart neither makes a used link good nor spoils another.
	next := raise("s-2")
	if err := stopApp(a); err != nil {
		t.Fatal(err)
	}
	a = start(t, Options{Config: c, Opener: r.Open})
	attack("used, after a restart", http.StatusGone, "POST", link)
	if status, text := visit("POST", next); status != http.StatusOK || !strings.Contains(text, "Noted: you are coming") || acted() == before {
		t.Errorf("after a restart: %d %s; %s", status, text, acted())
	}
	info, err := os.Stat(filepath.Join(filepath.Dir(c.Ledger.Path), linkKeyFile))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key's file: %v, %v", info, err)
	}

	// Guesses are answered ever more slowly and then not at all, and the operator is told.
	link = raise("s-3")
	status := 0
	for range 12 {
		attacks++
		if status, _ = visit("POST", signed(&other, good), "X-Forwarded-For: 203.0.113.9"); status == http.StatusTooManyRequests {
			break
		}
	}
	if status != http.StatusTooManyRequests {
		t.Errorf("guesses are answered with %d in the end", status)
	}
	if status, _ := visit("GET", link); status != http.StatusOK {
		t.Errorf("others are shut out with the guesser: %d", status)
	}
	t.Logf("hostile: %d attacks, %d got through", attacks, through)
}

// TestLinksNeedAnAddress: without a public address messages hold no link, and a key that every user of
// the computer can read signs nothing.
func TestLinksNeedAnAddress(t *testing.T) {
	c := settings(t)
	a := &App{o: Options{Config: c}, log: zap.NewNop()}
	if a.openLinks() != nil || a.words().ComingURL != nil {
		t.Error("links without an address")
	}
	c.Server.PublicURL = "https://belt.workshop.example/"
	if a.links = a.openLinks(); a.links == nil || a.links.Key == (access.LinkKey{}) {
		t.Fatal("no links")
	}
	if u := a.words().ComingURL("s-1", "phone"); !strings.HasPrefix(u, "https://belt.workshop.example/coming/") {
		t.Errorf("the link is %s", u)
	}
	path := filepath.Join(filepath.Dir(c.Ledger.Path), linkKeyFile)
	for what, spoil := range map[string]func() error{
		"readable by all": func() error { return os.Chmod(path, 0o644) },
		"cut short":       func() error { return os.Truncate(path, 5) },
		"a folder":        func() error { return errors.Join(os.Remove(path), os.Mkdir(path, 0o700)) },
	} {
		_ = os.RemoveAll(path)
		if _, err := linkKey(filepath.Dir(path)); err != nil {
			t.Fatal(err)
		}
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		if a.openLinks() != nil {
			t.Errorf("a key that is %s signs", what)
		}
	}
}
