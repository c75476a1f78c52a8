package app

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
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
// The pages leave out what would be refused. No secret gets into anything that is told.
func TestLookingAndOperating(t *testing.T) {
	c, r := locked(t), machine(t)
	c.Server.PublicURL = "http://belt.workshop.example"
	var log safeBuffer
	a := start(t, Options{Config: c, Opener: r.Open, Log: zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(zap.NewProductionEncoderConfig()), &log, zap.DebugLevel))})
	h := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer h.CloseIdleConnections()
	url, told := "http://"+a.Addr(), ""
	as := func(secret string) string { return "Authorization: Bearer " + secret }
	expect := func(status int, says, method, path, body string, lines ...string) {
		t.Helper()
		got, text := ask(t, h, method, url+path, body, lines...)
		if told += text; got != status || !strings.Contains(text, says) {
			t.Errorf("%s %s: %d %.200s; want %d, %q", method, path, got, text, status, says)
		}
	}
	const json = "Content-Type: application/json"
	reach(t, connect(t, url, client.WithSecret(looks)), supervisor.Idle)
	expect(200, "What you can do", "GET", "/", "", as(operates))
	expect(200, "Parts against the order", "GET", "/", "", as(looks))
	if _, page := ask(t, h, "GET", url+"/", "", as(looks)); strings.Contains(page, "<form method=\"post\" action=\"/command\"") || strings.Contains(page, "What you can do") {
		t.Error("a looker is shown what would be refused")
	}
	expect(403, "may look and not operate", "POST", "/api/v1/commands", `{"command":"stop"}`, json, as(looks))
	expect(200, `"state"`, "POST", "/api/v1/commands", `{"command":"stop"}`, json, as(operates))
	expect(200, "beltwarden_access_refused_total", "GET", "/metrics", "", as(looks))
	expect(401, "asks for a secret", "GET", "/api/v1/status", "")
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
	told += log.String() + fmt.Sprint(events)
	if _, text := ask(t, h, "GET", url+"/metrics", "", as(operates)); strings.Contains(text, operates) {
		t.Error("a secret is in the metrics")
	}
	for _, secret := range []string{operates, looks} {
		if strings.Contains(told, secret) {
			t.Error("a secret is in what was told")
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
	told := 0
	for _, al := range alerts {
		if al.Kind == "access" {
			told++
			if !strings.Contains(al.Text, "198.51.100.9") {
				t.Errorf("told: %s", al.Text)
			}
		}
	}
	if told != 1 {
		t.Errorf("told %d times", told)
	}
}

// certificate writes one of its own making, and returns it in PEM.
func certificate(t *testing.T, certFile, keyFile, name string) []byte {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, form, form, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	cert := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	if err := errors.Join(os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600),
		os.WriteFile(certFile, cert, 0o600)); err != nil {
		t.Fatal(err)
	}
	return cert
}

// TestEncrypted: the address speaks TLS by the files, the command line trusts a
// certificate of the workshop's own making, and a new one is taken up without a restart.
func TestEncrypted(t *testing.T) {
	c, r := locked(t), machine(t)
	dir := t.TempDir()
	c.Server.TLSCertFile, c.Server.TLSKeyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	first := certificate(t, c.Server.TLSCertFile, c.Server.TLSKeyFile, "first")
	a := start(t, Options{Config: c, Opener: r.Open})
	trust, err := client.WithAuthority(first)
	if err != nil {
		t.Fatal(err)
	}
	url := "https://" + a.Addr()
	if _, err := connect(t, url, client.WithSecret(looks), trust).Status(t.Context()); err != nil {
		t.Errorf("with its certificate: %v", err)
	}
	if _, err := connect(t, url, client.WithSecret(looks)).Status(t.Context()); err == nil {
		t.Error("a certificate that nobody vouches for is trusted")
	}
	if _, err := connect(t, "http://"+a.Addr(), client.WithSecret(looks)).Status(t.Context()); err == nil {
		t.Error("it also speaks without encryption")
	}
	if _, err := connect(t, c.Server.Socket).Status(t.Context()); err != nil {
		t.Errorf("over the socket: %v", err)
	}
	old := &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11}
	if conn, err := tls.Dial("tcp", a.Addr(), old); err == nil {
		_ = conn.Close()
		t.Error("it speaks a version of TLS that is given up")
	}
	second := certificate(t, c.Server.TLSCertFile, c.Server.TLSKeyFile, "second")
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(second)
	deadline := time.Now().Add(time.Minute)
	for {
		conn, err := tls.Dial("tcp", a.Addr(), &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12})
		if err == nil {
			_ = conn.Close()
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("the new certificate is not taken up: %v", err)
		}
		time.Sleep(200 * time.Millisecond)
	}
}

// TestCertificatesThatCannotBeUsed end the start with the reason.
func TestCertificatesThatCannotBeUsed(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	fails := func(want string) {
		t.Helper()
		c, r := locked(t), machine(t)
		c.Server.TLSCertFile, c.Server.TLSKeyFile = cert, key
		a, err := New(t.Context(), Options{Config: c, Opener: r.Open, Log: zap.NewNop()})
		if err == nil {
			_ = stopApp(a)
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	fails("no such file")
	certificate(t, cert, key, "one")
	if err := os.Chmod(key, 0o644); err != nil {
		t.Fatal(err)
	}
	fails("every user of this computer can read")
	if err := errors.Join(os.Chmod(key, 0o600), os.WriteFile(cert, []byte("plant-stake clips"), 0o600)); err != nil {
		t.Fatal(err)
	}
	fails("cannot use the certificate")
}

// TestACrowdWaitsOutside: connections beyond the bound cost no descriptor of the daemon's,
// and come in when another leaves.
func TestACrowdWaitsOutside(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := newCrowd(inner, 2)
	came := make(chan net.Conn, 10)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			came <- conn
		}
	}()
	var outside []net.Conn
	for range 4 {
		conn, err := net.Dial("tcp", inner.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		outside = append(outside, conn)
	}
	first, second := <-came, <-came
	select {
	case <-came:
		t.Error("a third one was let in")
	case <-time.After(50 * time.Millisecond):
	}
	_ = first.Close()
	_ = first.Close() // its place is given back once
	third := <-came
	select {
	case <-came:
		t.Error("one that left twice made two places")
	case <-time.After(50 * time.Millisecond):
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	<-done
	for _, c := range append(outside, second, third) {
		_ = c.Close()
	}
}
