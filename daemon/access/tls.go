package access

import (
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"sync"
	"time"
)

// recheckEvery is how often the files of a certificate are checked for changes.
const recheckEvery = 10 * time.Second

// Certificate is a certificate with its key, read again when the files change, as they
// do some times a year. Its methods may be used from any goroutine.
type Certificate struct {
	certFile, keyFile string
	failed            func(error)

	mu      sync.Mutex
	pair    *tls.Certificate
	stamps  [2]stamp
	checked time.Time
}

// stamp distinguishes states of a file.
type stamp struct {
	at    time.Time
	bytes int64
}

// NewCertificate reads a certificate chain and its key, both in PEM. When a later
// state of the files cannot be used, failed is called once, and the one before stays.
func NewCertificate(certFile, keyFile string, failed func(error)) (*Certificate, error) {
	c := &Certificate{certFile: certFile, keyFile: keyFile, failed: failed}
	if err := c.load(); err != nil {
		return nil, err
	}
	return c, nil
}

// Config returns settings for a server: TLS 1.2 at least.
func (c *Certificate) Config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.current(), nil }}
}

func (c *Certificate) current() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	if time.Since(c.checked) >= recheckEvery {
		if err := c.load(); err != nil && c.failed != nil {
			c.failed(err)
		}
	}
	return c.pair
}

// load reads the files if they have changed.
func (c *Certificate) load() error {
	c.checked = time.Now()
	fail := func(err error) error { return fmt.Errorf("cannot use the certificate: %w", err) }
	var stamps [2]stamp
	for i, file := range []string{c.certFile, c.keyFile} {
		info, err := os.Stat(file)
		if err != nil {
			if c.pair != nil && errors.Is(err, fs.ErrNotExist) {
				return nil // in the midst of being replaced
			}
			return fail(err)
		}
		if i == 1 && info.Mode().Perm()&0o007 != 0 {
			return fail(fmt.Errorf("every user of this computer can read %s; remove that right: chmod o= %s", file, file))
		}
		stamps[i] = stamp{info.ModTime(), info.Size()}
	}
	if stamps == c.stamps {
		return nil
	}
	c.stamps = stamps // once for each state, also for one that is wrong
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return fail(err)
	}
	c.pair = &pair
	return nil
}
