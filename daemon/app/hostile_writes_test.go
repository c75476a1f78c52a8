package app

import (
	"crypto/tls"
	"crypto/x509"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
)

// writeRoutes are all routes that change something: those of the interface from its document,
// and those of the pages from where they are registered, so that none can be forgotten.
func writeRoutes(t *testing.T) (routes [][2]string) {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromFile("../api/openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for path, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			if method != http.MethodGet && method != http.MethodHead {
				routes = append(routes, [2]string{method, path})
			}
		}
	}
	pages, err := os.ReadFile("../screen/screen.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`"(POST|PUT|PATCH|DELETE) (/[^"]*)"`).FindAllStringSubmatch(string(pages), -1) {
		routes = append(routes, [2]string{m[1], m[2]})
	}
	for i := range routes {
		routes[i][1] = regexp.MustCompile(`\{[a-z]+\}`).ReplaceAllString(routes[i][1], "1")
	}
	slices.SortFunc(routes, func(a, b [2]string) int { return strings.Compare(a[1]+a[0], b[1]+b[0]) })
	return routes
}

// TestHostileWrites tries every route that changes something as everybody who may not: none
// gets past the gate, by HTTP/1.1 or HTTP/2. An operator reaches each of them, so that a
// refusal means something.
func TestHostileWrites(t *testing.T) {
	dir := t.TempDir()
	c, r := locked(t), machine(t)
	c.Server.TLSCertFile, c.Server.TLSKeyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(certificate(t, c.Server.TLSCertFile, c.Server.TLSKeyFile, "one"))
	a := start(t, Options{Config: c, Opener: r.Open})
	const json, form = "Content-Type: application/json", "Content-Type: application/x-www-form-urlencoded"
	operator, looker := "Authorization: Bearer "+operates, "Authorization: Bearer "+looks
	enemies := map[string][]string{
		"nobody":                          {},
		"nobody, at a browser":            {"Accept: text/html"},
		"a made-up session":               {"Cookie: __Host-beltwarden=AAAA; beltwarden=AAAA"},
		"who says that a proxy knows him": {"X-Forwarded-For: 127.0.0.1"},
		"a looker":                        {looker},
		"a looker, at a browser":          {looker, "Accept: text/html"},
		"a looker, as another method":     {looker, "X-HTTP-Method-Override: GET"},
		"another site, by the operator":   {operator, "Origin: https://evil.example"},
		"a site beside, by the operator":  {operator, "Sec-Fetch-Site: same-site", "Origin: https://127.0.0.1:1"},
		"a page without origin":           {operator, "Sec-Fetch-Site: cross-site", "Origin: null"},
		"a foreign name":                  {"Host: evil.example"},
		"a foreign name, as its own page": {"Host: evil.example", "Origin: https://evil.example", "Sec-Fetch-Site: same-origin"},
		"a foreign name, by the looker":   {looker, "Host: evil.example"},
	}
	attacks, through := 0, 0
	routes := writeRoutes(t)
	for _, http2 := range []bool{false, true} {
		var p http.Protocols
		p.SetHTTP1(!http2)
		p.SetHTTP2(http2)
		transport := &http.Transport{Protocols: &p, TLSClientConfig: &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}}
		defer transport.CloseIdleConnections()
		h := &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		for _, route := range routes {
			kind, body := form, "key=1"
			if strings.HasPrefix(route[1], "/api/") {
				kind, body = json, "{}"
			}
			url := "https://" + a.Addr() + route[1]
			for who, lines := range enemies {
				status, text := ask(t, h, route[0], url, body, append([]string{kind}, lines...)...)
				attacks++
				asked := status == http.StatusSeeOther && slices.Contains(lines, "Accept: text/html") // who he is
				switch status {
				case http.StatusUnauthorized, http.StatusForbidden, http.StatusMisdirectedRequest:
					asked = true
				}
				if !asked {
					through++
					t.Errorf("%s: %s %s (HTTP/2: %v): %d %.100s", who, route[0], route[1], http2, status, text)
				}
			}
			// The operator sends nothing that is well formed, and yet it is looked at.
			if status, text := ask(t, h, route[0], url, "?", "Content-Type: text/plain", operator); status == http.StatusUnauthorized || status == http.StatusForbidden || status == http.StatusMisdirectedRequest || status == http.StatusMethodNotAllowed {
				t.Errorf("the operator does not reach %s %s: %d %.100s", route[0], route[1], status, text)
			}
		}
	}
	if len(routes) < 15 {
		t.Errorf("%d routes were found: %v", len(routes), routes)
	}
	t.Logf("hostile: %d attacks, %d got through", attacks, through)
}
