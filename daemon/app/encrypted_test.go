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
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

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
