package app

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"beltwarden/daemon/client"
)

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
	deadline := time.Now().Add(patience)
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

// TestEveryStartSpeaksEveryProtocol: clients that offer HTTP/2, as every browser does, and
// those that do not are answered after each of twenty starts, with and without the socket.
func TestEveryStartSpeaksEveryProtocol(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(certificate(t, cert, key, "one"))
	var h1, h2 http.Protocols
	h1.SetHTTP1(true)
	h2.SetHTTP2(true)
	for _, socket := range []bool{true, false} {
		for n := range 20 {
			c, r := locked(t), machine(t)
			c.Server.TLSCertFile, c.Server.TLSKeyFile = cert, key
			if !socket {
				c.Server.Socket = ""
			}
			a := start(t, Options{Config: c, Opener: r.Open})
			for want, p := range map[string]*http.Protocols{"HTTP/1.1": &h1, "HTTP/2.0": &h2} {
				transport := &http.Transport{Protocols: p, TLSClientConfig: &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}}
				h := &http.Client{Transport: transport, Timeout: patience}
				res, err := h.Get("https://" + a.Addr() + "/healthz")
				if err != nil {
					t.Fatalf("start %d, socket %v, %s: %v", n, socket, want, err)
				}
				if _ = res.Body.Close(); res.Proto != want || res.StatusCode != http.StatusOK {
					t.Errorf("start %d, socket %v: %s %s, want %s", n, socket, res.Proto, res.Status, want)
				}
				transport.CloseIdleConnections()
			}
			if socket {
				if status, _ := askSocket(t, c.Server.Socket, "/healthz"); status != http.StatusOK {
					t.Errorf("start %d over the socket: %d", n, status)
				}
			}
			if err := stopApp(a); err != nil {
				t.Error(err)
			}
		}
	}
}

// TestComplaintsAreBounded: who breaks off ten thousand handshakes fills no disk, and it is
// said how many were left out.
func TestComplaintsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		core, seen := observer.New(zap.DebugLevel)
		c := newServerLog(zap.New(core))
		for range 10_000 {
			_, _ = c.Write([]byte("http: TLS handshake error from 192.0.2.7:40000: EOF\n"))
			time.Sleep(10 * time.Millisecond)
		}
		if n := seen.Len(); n < 20 || n > 22 {
			t.Errorf("%d lines in 100 s", n)
		}
		time.Sleep(time.Minute)
		_, _ = c.Write([]byte("the last\n"))
		counted := seen.Len()
		for _, e := range seen.All() {
			counted += int(e.ContextMap()["left_out"].(int64))
		}
		if counted != 10_001 {
			t.Errorf("%d lines are accounted for", counted)
		}
	})
}

// TestHandshakesFillNoLog: what is bounded is what the servers of the daemon say.
func TestHandshakesFillNoLog(t *testing.T) {
	c, r := locked(t), machine(t)
	dir := t.TempDir()
	c.Server.TLSCertFile, c.Server.TLSKeyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	certificate(t, c.Server.TLSCertFile, c.Server.TLSKeyFile, "one")
	core, seen := observer.New(zap.DebugLevel)
	a := start(t, Options{Config: c, Opener: r.Open, Log: zap.New(core)})
	for range 200 {
		conn, err := net.Dial("tcp", a.Addr())
		if err != nil {
			t.Fatal(err)
		}
		_ = conn.SetDeadline(time.Now().Add(patience))
		_, _ = conn.Write([]byte("no handshake at all\r\n\r\n"))
		_, _ = io.Copy(io.Discard, conn) // until it is closed
		_ = conn.Close()
	}
	lines := 0
	for _, e := range seen.All() {
		if strings.Contains(e.Message, "handshake") {
			lines++
		}
	}
	if lines < 10 || lines > 22 {
		t.Errorf("%d lines of 200 broken handshakes", lines)
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
