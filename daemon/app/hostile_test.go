package app

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// say sends a request as it stands, which no client of good manners would, and returns
// the status and everything that came back.
func say(t *testing.T, address, request string) (int, string) {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	_ = conn.SetDeadline(time.Now().Add(patience))
	// A request that is turned away before its end is cut off; the answer is there all the same.
	_, cut := io.WriteString(conn, request)
	res, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatalf("%.60q: %v (%v)", request, err, cut)
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(res.Body) // what came before a cut counts
	return res.StatusCode, fmt.Sprint(res.Header, string(text))
}

// TestPathsThatLeadElsewhere: without a secret no way of writing a path leads past the
// gate, and with one none leads out of the folder of jobs.
func TestPathsThatLeadElsewhere(t *testing.T) {
	c, r := locked(t), machine(t)
	a := start(t, Options{Config: c, Opener: r.Open})
	for _, target := range []string{
		"/static/../api/v1/status", "/static/%2e%2e/api/v1/status", "/static/..%2fapi/v1/status", "/static%2F..%2Fapi%2Fv1%2Fstatus",
		"/static/..;/metrics", "/static/screen.css/../../metrics", "/static/..%5c..%5cmetrics", "/static/..%2f..%2f..%2fetc%2fpasswd", "/static/%00",
		"//api/v1/status", "/./metrics", "/%6detrics", "/healthz/../metrics", "/healthz%2F..%2Fmetrics", "/healthz/", "/login/../metrics", "/login/x", "/logout/../metrics",
		"/API/v1/status", "/api/v1/status/", "/api/v1/status?next=/static/", "/api/v1/openapi.yaml", "/metrics#/healthz", "http://127.0.0.1/metrics", "http://evil.example/healthz/../metrics",
	} {
		for _, method := range []string{"GET", "HEAD", "POST", "OPTIONS", "TRACE", "get", "PROPFIND"} {
			status, text := say(t, a.Addr(), method+" "+target+" HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\nContent-Length: 0\r\n\r\n")
			turned := status == http.StatusUnauthorized || status == http.StatusMisdirectedRequest || status == http.StatusBadRequest
			if reads := method == "GET" || method == "HEAD"; reads && strings.HasPrefix(target, "/static") { // these pass the gate, and there is nothing behind it
				turned = turned || status == http.StatusNotFound || status == http.StatusTemporaryRedirect || status == http.StatusMovedPermanently
			}
			if !turned || strings.Contains(text, "beltwarden_state") || strings.Contains(text, "belt_travel") {
				t.Errorf("%s %s: %d %.200s", method, target, status, text)
			}
		}
	}
	h := &http.Client{}
	defer h.CloseIdleConnections()
	ledger, err := os.Stat(c.Ledger.Path)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"..%2fledger.db", "%2e%2e%2fledger.db", "..%5cledger.db", "%2e%2e", ".", "..%2f..%2f..%2f..%2fetc%2fpasswd", "%00", "%2fetc%2fpasswd", ".sums"} {
		for _, method := range []string{"GET", "DELETE"} {
			status, text := ask(t, h, method, "http://"+a.Addr()+"/api/v1/jobs/"+name, "", "Authorization: Bearer "+operates)
			if status < 400 && status != http.StatusMovedPermanently && name != "." || strings.Contains(text, "root:") || strings.Contains(text, "SQLite") {
				t.Errorf("%s %s: %d %.200s", method, name, status, text)
			}
		}
	}
	if now, err := os.Stat(c.Ledger.Path); err != nil || !os.SameFile(now, ledger) {
		t.Errorf("the ledger was touched: %v", err)
	}
}

// TestSecretsStayWhereTheyAre: whoever sends a secret to where it does not belong, in
// requests of every kind, finds it in no answer, and nobody finds it in the log, in the
// metrics or among the events.
func TestSecretsStayWhereTheyAre(t *testing.T) {
	c, r := locked(t), machine(t)
	c.Server.TrustedProxy = "127.0.0.1" // so that nobody is turned away for the wrong secrets of the one before
	var log safeBuffer
	from := 0
	a := start(t, Options{Config: c, Opener: r.Open, Log: zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(zap.NewProductionEncoderConfig()), &log, zap.DebugLevel))})
	var answers strings.Builder
	const form, json, large = "application/x-www-form-urlencoded", "application/json", 2 << 20
	for _, secret := range []string{operates, looks} {
		bearer := "Authorization: Bearer " + secret + "\r\n"
		for _, q := range []struct{ method, target, lines, kind, body string }{
			{"GET", "/?secret=" + secret, "", "", ""},
			{"GET", "/api/v1/status?token=" + secret, bearer, "", ""},
			{"GET", "/api/v1/events?limit=" + secret, bearer, "", ""},
			{"GET", "/login", "Accept: text/html\r\nCookie: beltwarden=" + secret + "\r\n", "", ""},
			{"GET", "/", "Authorization: Basic " + secret + "\r\n", "", ""},
			{"GET", "/", "Authorization: " + secret + "\r\n", "", ""},
			{"GET", "/", "Authorization: Bearer " + secret + " " + secret + "\r\n", "", ""},
			{"GET", "/", "X-Forwarded-For: " + secret + "\r\n" + bearer, "", ""},
			{"GET", "/", "Accept: text/html\r\nReferer: http://127.0.0.1/?" + secret + "\r\n" + bearer, "", ""},
			{secret, "/", bearer, "", ""},
			{"POST", "/visit", bearer + "Origin: https://evil.example\r\n", form, "note=x"},
			{"POST", "/login", "", form, "secret=" + secret + "x"},
			{"POST", "/login", "Accept: text/html\r\n", form, "secret=x" + secret},
			{"POST", "/login", "", form, "secret=" + secret + "%zz"},
			{"POST", "/login", "Accept: text/html\r\n", "multipart/form-data; boundary=" + secret, "--" + secret},
			{"POST", "/login", "", form, "secret=" + secret + strings.Repeat("x", 20_000)},
			{"POST", "/login", "Accept: text/html\r\n", form, "secret=" + secret + "&next=//evil.example"},
			{"POST", "/api/v1/commands", bearer, json, `{"command":"hold","secret":"x"}`},
			{"POST", "/api/v1/commands", bearer, json, `{"command":` + strings.Repeat("[", 10_000)},
			{"POST", "/api/v1/commands", bearer, json, `"` + strings.Repeat("x", large) + `"`},
			{"POST", "/api/v1/commands", bearer, "text/plain", `{"command":"hold"}`},
			{"POST", "/api/v1/jobs?name=..%2f..%2fclip.gcode", bearer, "application/octet-stream", "G28\n"},
			{"POST", "/lots/new", bearer, "multipart/form-data; boundary=x", "--x\r\n"},
		} {
			lines := q.lines
			if from++; !strings.Contains(lines, "X-Forwarded-For") {
				lines += fmt.Sprintf("X-Forwarded-For: 198.51.100.%d\r\n", from)
			}
			if q.kind != "" {
				lines += "Content-Type: " + q.kind + "\r\n"
			}
			status, text := say(t, a.Addr(), fmt.Sprintf("%s %s HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n%sContent-Length: %d\r\n\r\n%s", q.method, q.target, lines, len(q.body), q.body))
			if status >= 500 && status != http.StatusNotImplemented {
				t.Errorf("%s %.60s: %d %.200s", q.method, q.target, status, text)
			}
			answers.WriteString(text)
			if strings.Contains(text, secret) && !strings.Contains(q.target, secret) {
				t.Errorf("%s %.60s: the answer holds the secret: %.300s", q.method, q.target, text)
			}
		}
	}
	_, figures := askSocket(t, c.Server.Socket, "/metrics")
	events, err := a.Ledger().Events(t.Context(), 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	alerts, err := a.Ledger().PendingAlerts(t.Context(), "test", time.Now(), 100)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(figures, "beltwarden_access_refused_total") {
		t.Error("the metrics were not read")
	}
	for _, secret := range []string{operates, looks} {
		for where, text := range map[string]string{"log": log.String(), "metrics": figures, "events": fmt.Sprint(events), "alerts": fmt.Sprint(alerts)} {
			if strings.Contains(text, secret) {
				t.Errorf("a secret is in the %s", where)
			}
		}
	}
}

// askSocket reads an address over the local socket.
func askSocket(t *testing.T, socket, path string) (int, string) {
	t.Helper()
	transport := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", socket)
	}}
	defer transport.CloseIdleConnections()
	return ask(t, &http.Client{Transport: transport}, "GET", "http://beltwarden"+path, "")
}

// TestALiveScreenEndsWithItsSession: a page that is open elsewhere goes dark when its
// browser logs out, and when it is asked for again it asks who is there.
func TestALiveScreenEndsWithItsSession(t *testing.T) {
	c, r := locked(t), machine(t)
	a := start(t, Options{Config: c, Opener: r.Open})
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer browser.CloseIdleConnections()
	site := "http://" + a.Addr()
	post := func(path string, v url.Values) {
		t.Helper()
		res, err := browser.PostForm(site+path, v)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		if res.StatusCode != http.StatusSeeOther {
			t.Fatalf("%s: %d", path, res.StatusCode)
		}
	}
	stream := func() *http.Response {
		t.Helper()
		res, err := browser.Get(site + "/stream")
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	post("/login", url.Values{"secret": {looks}})
	open := stream()
	defer open.Body.Close()
	lines := bufio.NewReader(open.Body)
	for { // until it shows the machine
		line, err := lines.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(line, "event: ") && !strings.Contains(line, "hello") {
			break
		}
	}
	post("/logout", nil)
	ended := make(chan error, 1)
	go func() { _, err := io.Copy(io.Discard, lines); ended <- err }()
	select {
	case <-ended:
	case <-time.After(patience):
		t.Error("the stream goes on after the logout")
	}
	again := stream()
	defer again.Body.Close()
	if again.StatusCode != http.StatusUnauthorized {
		t.Errorf("the stream can be had again: %d", again.StatusCode)
	}
}
