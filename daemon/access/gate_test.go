package access

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// The secrets of these tests. They may stand in no answer.
const (
	operates = "wide-open-greenhouse-42"
	looks    = "glass-front-door-17"
)

// house is a gate with a room behind it that says who came in.
type house struct {
	t *testing.T
	g *Gate
	http.Handler
	leaked atomic.Bool // an answer held a secret
}

func newHouse(t *testing.T, o Options) *house {
	t.Helper()
	g, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.Close)
	h := &house{t: t, g: g}
	h.Handler = g.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, err := io.Copy(io.Discard, r.Body); err != nil {
			w.WriteHeader(http.StatusRequestEntityTooLarge)
			return
		}
		fmt.Fprintf(w, "in as %s", RoleOf(r))
	}))
	return h
}

func both() Options {
	return Options{Operate: SecretOf([]byte(operates)), Look: SecretOf([]byte(looks))}
}

// visit is one request; "K: v" lines are headers, and Host and From are the request's own.
func (h *house) visit(method, path, body string, lines ...string) *http.Response {
	h.t.Helper()
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host, r.RemoteAddr = "127.0.0.1:7353", "192.0.2.7:40000"
	for _, l := range lines {
		k, v, _ := strings.Cut(l, ": ")
		switch k {
		case "Host":
			r.Host = v
		case "From":
			r.RemoteAddr = v
		default:
			r.Header.Add(k, v)
		}
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	res := w.Result()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		h.t.Fatal(err)
	}
	res.Body = io.NopCloser(strings.NewReader(string(text)))
	h.hear(string(text))
	for _, values := range res.Header {
		h.hear(values...)
	}
	return res
}

// hear looks for secrets in what was answered.
func (h *house) hear(texts ...string) {
	for _, text := range texts {
		if strings.Contains(text, operates) || strings.Contains(text, looks) {
			h.leaked.Store(true)
		}
	}
}

func bodyOf(res *http.Response) string {
	text, _ := io.ReadAll(res.Body)
	return string(text)
}

const (
	asOperator = "Authorization: Bearer " + operates
	asLooker   = "Authorization: Bearer " + looks
	browser    = "Accept: text/html,application/xhtml+xml"
	form       = "Content-Type: application/x-www-form-urlencoded"
)

// TestWhoMayDoWhat is the table of roles.
func TestWhoMayDoWhat(t *testing.T) {
	for _, c := range []struct {
		o      Options
		method string
		path   string
		line   string
		status int
		says   string
	}{
		{both(), "GET", "/", asOperator, 200, "in as operate"},
		{both(), "POST", "/api/v1/commands", asOperator, 200, "in as operate"},
		{both(), "GET", "/api/v1/status", asLooker, 200, "in as look"},
		{both(), "GET", "/metrics", asLooker, 200, "in as look"},
		{both(), "POST", "/api/v1/commands", asLooker, 403, "view-only access"},
		{both(), "DELETE", "/api/v1/jobs/clip.gcode", asLooker, 403, "view-only access"},
		{both(), "POST", "/visit", asLooker, 403, "view-only access"},
		{both(), "GET", "/", "", 401, "needs a secret"},
		{both(), "GET", "/metrics", "", 401, "needs a secret"},
		{both(), "POST", "/api/v1/commands", "", 401, "needs a secret"},
		{both(), "GET", "/healthz", "", 200, "in as none"}, // alive, and nothing else
		{both(), "GET", "/static/screen.css", "", 200, "in as none"},
		{both(), "POST", "/static/screen.css", "", 401, "needs a secret"},
		{both(), "GET", "/", "Authorization: Basic " + operates, 401, "needs a secret"},
		{both(), "GET", "/", "Authorization: Bearer", 401, "needs a secret"},
		{both(), "GET", "/?secret=" + operates, "", 401, "needs a secret"},
		{Options{Look: SecretOf([]byte(looks))}, "POST", "/api/v1/commands", asLooker, 403, "view-only"},
		{Options{Look: SecretOf([]byte(looks))}, "GET", "/", asLooker, 200, "in as look"},
		{Options{Look: SecretOf([]byte(looks))}, "GET", "/", asOperator, 401, "wrong"},
		{Options{}, "POST", "/api/v1/commands", "", 200, "in as operate"}, // on loopback, by the system's users
	} {
		t.Run(fmt.Sprintf("%s %s %.30s", c.method, c.path, c.line), func(t *testing.T) {
			h := newHouse(t, c.o)
			var lines []string
			if c.line != "" {
				lines = append(lines, c.line)
			}
			res := h.visit(c.method, c.path, "", lines...)
			if text := bodyOf(res); res.StatusCode != c.status || !strings.Contains(text, c.says) {
				t.Errorf("%d %s; want %d, %q", res.StatusCode, text, c.status, c.says)
			}
			h.noSecret()
		})
	}
}

// noSecret checks that nothing that was sent holds one.
func (h *house) noSecret() {
	h.t.Helper()
	if h.leaked.Load() {
		h.t.Error("an answer holds a secret")
	}
}

// TestOtherSites: pages of other sites, and names that were made to resolve to this
// computer, do not get through, and no page of ours stands in a frame of theirs.
func TestOtherSites(t *testing.T) {
	public, err := url.Parse("https://belt.workshop.example")
	if err != nil {
		t.Fatal(err)
	}
	open, closed := Options{}, both()
	named := both()
	named.Public, named.Hosts = public, []string{"press", "press.local"}
	for _, c := range []struct {
		name   string
		o      Options
		method string
		status int
		lines  []string
	}{
		{"form of another site", open, "POST", 403, []string{"Sec-Fetch-Site: cross-site", "Origin: https://evil.example"}},
		{"form of another site, old browser", open, "POST", 403, []string{"Origin: https://evil.example"}},
		{"form of a neighbour's port", open, "POST", 403, []string{"Origin: http://127.0.0.1:8000"}},
		{"form of a subdomain", named, "POST", 403, []string{"Sec-Fetch-Site: same-site", "Origin: https://shop.workshop.example", "Host: belt.workshop.example", asOperator}},
		{"form without an origin to tell", open, "POST", 403, []string{"Sec-Fetch-Site: cross-site", "Origin: null"}},
		{"our own form", open, "POST", 200, []string{"Sec-Fetch-Site: same-origin", "Origin: http://127.0.0.1:7353"}},
		{"our own form through a proxy", named, "POST", 200, []string{"Origin: https://belt.workshop.example", "Host: belt.workshop.example", asOperator}},
		{"a program", open, "POST", 200, nil},
		{"rebinding", open, "GET", 421, []string{"Host: evil.example:7353"}},
		{"rebinding with a write", open, "POST", 421, []string{"Host: evil.example:7353", "Origin: http://evil.example:7353", "Sec-Fetch-Site: same-origin"}},
		{"rebinding by a like name", open, "GET", 421, []string{"Host: localhost.evil.example"}},
		{"rebinding by a number of another computer", open, "GET", 421, []string{"Host: 192.0.2.1:7353"}},
		{"no name at all", open, "GET", 421, []string{"Host: "}},
		{"by a name of this computer, open", Options{Hosts: []string{"press", "press.local"}}, "GET", 421, []string{"Host: press.local:7353"}},
		{"by another spelling of loopback, open", open, "GET", 200, []string{"Host: [::1]:7353"}},
		{"rebinding, where a secret is asked for", closed, "GET", 421, []string{"Host: evil.example"}},
		{"by number, where a secret is asked for", closed, "GET", 200, []string{"Host: 192.0.2.1:7353", asLooker}},
		{"by a name, with a secret no page can know", closed, "GET", 200, []string{"Host: press.lan", asLooker}},
		{"by its public name", named, "GET", 200, []string{"Host: belt.workshop.example", asLooker}},
		{"by its own name", named, "GET", 401, []string{"Host: Press.Local:7353"}},
		{"through a proxy, open", open, "GET", 403, []string{"X-Forwarded-For: 198.51.100.9"}},
		{"through a proxy, open, other word", open, "POST", 403, []string{"Forwarded: for=198.51.100.9"}},
		{"through a proxy, with a secret", closed, "GET", 200, []string{"X-Forwarded-For: 198.51.100.9", asLooker}},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHouse(t, c.o)
			res := h.visit(c.method, "/visit", "", c.lines...)
			if text := bodyOf(res); res.StatusCode != c.status {
				t.Errorf("%d %s, want %d", res.StatusCode, text, c.status)
			}
			if csp := res.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "frame-ancestors 'none'") ||
				res.Header.Get("X-Frame-Options") != "DENY" || res.Header.Get("X-Content-Type-Options") != "nosniff" {
				t.Errorf("headers %v", res.Header)
			}
			for name := range res.Header {
				if strings.HasPrefix(name, "Access-Control-") {
					t.Errorf("%s lets other sites read", name)
				}
			}
			h.noSecret()
		})
	}
}

// TestBodiesAreBounded: only a request whose handler bounds it may be large.
func TestBodiesAreBounded(t *testing.T) {
	large := strings.Repeat("x", maxBody+1)
	o := Options{BoundsBody: func(r *http.Request) bool { return r.URL.Path == "/api/v1/jobs" }}
	for path, status := range map[string]int{"/api/v1/commands": 413, "/visit": 413, "/api/v1/jobs": 200} {
		if res := newHouse(t, o).visit("POST", path, large); res.StatusCode != status {
			t.Errorf("%s: %d, want %d", path, res.StatusCode, status)
		}
	}
}

// TestWhatDoesNotGoTogether is refused at start.
func TestWhatDoesNotGoTogether(t *testing.T) {
	public := &url.URL{Scheme: "https", Host: "belt.workshop.example"}
	for _, o := range []Options{{Operate: SecretOf([]byte(operates)), Look: SecretOf([]byte(operates))}, {Public: public}} {
		g, err := New(o)
		if err == nil {
			g.Close()
			t.Errorf("%+v was taken", o)
		} else if strings.Contains(err.Error(), operates) || !strings.Contains(err.Error(), "config secret") {
			t.Errorf("%v", err)
		}
	}
}

// TestSenders: a wrong secret is put down to whoever sent it, and nobody can put it down
// to another.
func TestSenders(t *testing.T) {
	proxy := netip.MustParsePrefix("127.0.0.1/32")
	for _, c := range []struct {
		proxy           netip.Prefix
		peer, forwarded string
		want            string
	}{
		{netip.Prefix{}, "192.0.2.7:1", "198.51.100.9", "192.0.2.7"},
		{proxy, "127.0.0.1:1", "198.51.100.9", "198.51.100.9"},
		{proxy, "127.0.0.1:1", "203.0.113.1, 198.51.100.9", "198.51.100.9"}, // the first one anybody can write
		{proxy, "127.0.0.1:1", "198.51.100.9, 127.0.0.1", "198.51.100.9"},
		{proxy, "127.0.0.1:1", "nonsense", "127.0.0.1"},
		{proxy, "127.0.0.1:1", "", "127.0.0.1"},
		{proxy, "192.0.2.7:1", "198.51.100.9", "192.0.2.7"}, // not the proxy
		{proxy, "[::ffff:127.0.0.1]:1", "[2001:db8::1]:443", "2001:db8::1"},
	} {
		g, err := New(Options{Proxy: c.proxy, Operate: SecretOf([]byte(operates))})
		if err != nil {
			t.Fatal(err)
		}
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = c.peer
		if c.forwarded != "" {
			r.Header.Set("X-Forwarded-For", c.forwarded)
		}
		if got := g.sender(r).String(); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
		g.Close()
	}
}

// TestEveryRefusalIsCounted by why.
func TestEveryRefusalIsCounted(t *testing.T) {
	h := newHouse(t, both())
	h.visit("GET", "/", "")
	h.visit("GET", "/", "", "Authorization: Bearer wrong")
	h.visit("POST", "/visit", "", asLooker)
	h.visit("POST", "/visit", "", asOperator, "Origin: https://evil.example")
	h.visit("GET", "/", "", "Host: evil.example")
	want := map[string]uint64{"no_secret": 1, "wrong_secret": 1, "too_many": 0, "role": 1, "origin": 1, "host": 1}
	if got := h.g.Refused(); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", got, want)
	}
}
