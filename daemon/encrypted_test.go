package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// TestFromAnotherComputer works a machine by the command line as from another computer:
// over TLS, with a certificate of the workshop's own making, by the secret of either role.
func TestFromAnotherComputer(t *testing.T) {
	w := newWorkshop(t, "", "")
	cert, key := filepath.Join(w.dir, "cert.pem"), filepath.Join(w.dir, "key.pem")
	operate, look, address := filepath.Join(w.dir, "operate"), filepath.Join(w.dir, "look"), freeAddress()
	ownCertificate(t, address, cert, key)
	other := filepath.Join(w.dir, "other")
	for _, secret := range []string{operate, look, other} {
		if out, err := exec.Command("beltwarden", "config", "secret", secret).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	rewrite(t, w.config, w.config, `  listen: ""`, "  listen: "+address+"\n  secret_file: "+operate+"\n  look_secret_file: "+look+
		"\n  tls_cert_file: "+cert+"\n  tls_key_file: "+key)
	s := rig.DefaultSettings()
	s.Belt.Axis, s.Belt.LoopLengthMM = 'Y', 2400
	w.simulate(t, s)
	d := w.serve(t, "beltwarden")
	d.reach(t, supervisor.Idle)

	for _, c := range []struct {
		status int
		says   string
		env    []string
		args   []string
	}{
		{0, "Idle", nil, []string{"status", "--secret-file", look, "--authority-file", cert}},
		{0, "Idle", []string{secretVariable + "=" + look, authorityVariable + "=" + cert}, []string{"status"}},
		{exitRefused, "you have view-only access", nil, []string{"stop", "--secret-file", look, "--authority-file", cert}},
		{exitRefused, "needs a secret", nil, []string{"status", "--authority-file", cert}},
		{exitRefused, "the secret is wrong", nil, []string{"status", "--secret-file", other, "--authority-file", cert}},
		{exitUsage, "more than one word", nil, []string{"status", "--secret-file", cert, "--authority-file", cert}},
		{exitUnreachable, "--authority-file", nil, []string{"status", "--secret-file", look}},
		{0, "", nil, []string{"stop", "--secret-file", operate, "--authority-file", cert}},
	} {
		cmd := exec.Command("beltwarden", append(c.args, "--daemon", "https://"+address)...)
		cmd.Env = append(os.Environ(), c.env...)
		out, err := cmd.CombinedOutput()
		var ended *exec.ExitError
		if err != nil && !errors.As(err, &ended) {
			t.Fatal(err)
		}
		if got := cmd.ProcessState.ExitCode(); got != c.status || !strings.Contains(string(out), c.says) {
			t.Errorf("%v: %d %s; want %d, %q", c.args, got, out, c.status, c.says)
		}
	}
	d.reach(t, supervisor.Stopped)
	d.stop(t)
	text, err := os.ReadFile(w.log)
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{operate, look} {
		secret, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(text), strings.TrimSpace(string(secret))) {
			t.Errorf("the log holds the secret in %s", file)
		}
	}
}

// ownCertificate writes a certificate for an address that vouches for itself.
func ownCertificate(t *testing.T, address, certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "belt"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.TCPAddrFromAddrPort(netip.MustParseAddrPort(address)).IP}}
	der, err := x509.CreateCertificate(rand.Reader, form, form, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600),
		os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600)); err != nil {
		t.Fatal(err)
	}
}
