package alert

import (
	"context"
	"crypto/tls"
	"errors"
	"net"
	"sync"

	"github.com/wneessen/go-mail"
)

// client returns a client of the library that dials through the connection held.
func (m *Mail) client(conn *held) (*mail.Client, error) {
	config := &tls.Config{ServerName: m.o.Host, MinVersion: tls.VersionTLS12, RootCAs: m.o.roots}
	options := []mail.Option{mail.WithPort(m.o.Port), mail.WithTimeout(m.o.Timeout), mail.WithTLSConfig(config),
		mail.WithDialContextFunc(func(ctx context.Context, network, address string) (net.Conn, error) {
			c, err := m.o.Dial(ctx, network, address)
			if err != nil {
				return nil, err
			}
			if !conn.set(c) {
				return nil, ctx.Err()
			}
			if m.o.TLS != "tls" {
				return c, nil
			}
			secure := tls.Client(c, config)
			return secure, secure.HandshakeContext(ctx)
		})}
	switch m.o.TLS {
	case "tls":
		options = append(options, mail.WithSSL())
	case "starttls":
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	default:
		options = append(options, mail.WithTLSPolicy(mail.NoTLS))
	}
	if m.o.User != "" {
		login := mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover)
		switch m.o.TLS {
		case "tls": // the library does not see that our own dialling encrypts
			login = mail.WithOpportunisticSMTPAuth(mail.SMTPAuthPlain, mail.SMTPAuthLogin)
		case "none": // to this computer alone, which the configuration sees to
			login = mail.WithSMTPAuth(mail.SMTPAuthPlainNoEnc)
		}
		options = append(options, login, mail.WithUsername(m.o.User), mail.WithPassword(m.o.Password))
	}
	c, err := mail.NewClient(m.o.Host, options...)
	if err != nil {
		return nil, errors.New("cannot use the mail server: its name, port, user or password is not of the right form")
	}
	return c, nil
}

// held keeps hold of a connection, since the library lets go of one whose greeting failed.
type held struct {
	mu     sync.Mutex
	conn   net.Conn
	closed bool
}

// set keeps the connection, or closes it if there is no use for it any more.
func (h *held) set(c net.Conn) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		_ = c.Close()
		return false
	}
	h.conn = c
	return true
}

func (h *held) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	if h.conn != nil {
		_ = h.conn.Close()
	}
}
