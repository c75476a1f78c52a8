package browser

import (
	"crypto/x509"
	"encoding/pem"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/security"
	"github.com/chromedp/chromedp"

	"beltwarden/config"
)

// A browser, which offers HTTP/2 to whatever is encrypted, is shown the machine after every
// start, with the socket beside the address and without, and its page goes live.
func TestEncrypted(t *testing.T) {
	beside(t)
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	certificate(t, cert, key)
	for _, socket := range []bool{true, false} {
		w := locked(t, func(c *config.Settings) {
			c.Server.TLSCertFile, c.Server.TLSKeyFile = cert, key
			if !socket {
				c.Server.Socket = ""
			}
		})
		for n := range 3 {
			b := open(t, "https://"+w.app.Addr(), desk)
			// The certificate is of our own making, as a workshop's often is.
			call(b, security.SetIgnoreCertificateErrors, security.SetIgnoreCertificateErrorsParams{Ignore: true})
			b.visit("/")
			b.fill("Secret", "glass-front-door-17")
			b.press("Sign in")
			b.sees("Where the parts are")
			if p := ask[string](b, "performance.getEntriesByType('navigation')[0].nextHopProtocol"); p != "h2" {
				t.Errorf("start %d, socket %v: the page came by %q, want HTTP/2", n, socket, p)
			}
			b.do(chromedp.Navigate("about:blank")) // its stream would be cut off by the stop
			w.stop()
			w.start()
		}
	}
}

// certificate writes a certificate for 127.0.0.1 and its key.
func certificate(t *testing.T, certFile, keyFile string) {
	t.Helper()
	s := httptest.NewTLSServer(http.NotFoundHandler())
	defer s.Close()
	pair := s.TLS.Certificates[0]
	secret, err := x509.MarshalPKCS8PrivateKey(pair.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: pair.Certificate[0]}), 0o600),
		os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600)); err != nil {
		t.Fatal(err)
	}
}
