package alert

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/textproto"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/wneessen/go-mail"
	"github.com/wneessen/go-mail/smtp"
)

// MailOptions describe mailboxes that are reached by a mail server.
type MailOptions struct {
	Name     string // of the channel
	Host     string
	Port     int    // 0 takes 587 for "starttls", 465 for "tls", 25 for "none"
	TLS      string // "starttls", "tls" or "none"
	User     string // no login when empty
	Password string
	From     string
	To       []string
	Timeout  time.Duration // of one attempt, 30 s when 0
	Agent    string
	// Dial reaches the server; nil is the network.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)

	roots *x509.CertPool // of a test's own server
}

// Mail is a [Notifier] that sends a mail to each mailbox.
type Mail struct {
	o MailOptions

	mu  sync.Mutex
	got map[string]map[string]bool // mailboxes that have a message whose others failed, by its identity
}

// mailPorts are the usual ones.
var mailPorts = map[string]int{"starttls": 587, "tls": 465, "none": 25}

// NewMail returns a receiver. It connects to nothing yet.
func NewMail(o MailOptions) (*Mail, error) {
	if mailPorts[o.TLS] == 0 {
		return nil, fmt.Errorf("cannot use the mail server %s: %q is no way to speak to one", o.Host, o.TLS)
	}
	if o.Port == 0 {
		o.Port = mailPorts[o.TLS]
	}
	if o.Timeout <= 0 {
		o.Timeout = 30 * time.Second
	}
	if o.Agent == "" {
		o.Agent = "beltwarden"
	}
	if o.Dial == nil {
		o.Dial = new(net.Dialer).DialContext
	}
	m := &Mail{o: o, got: map[string]map[string]bool{}}
	for _, to := range o.To {
		if _, err := m.letter(&Message{ID: "x"}, to); err != nil {
			return nil, fmt.Errorf("cannot send mail from %s to %s: %w", o.From, to, err)
		}
	}
	return m, nil
}

// Channel implements [Notifier].
func (m *Mail) Channel() string { return m.o.Name }

// Kind implements [Notifier].
func (m *Mail) Kind() string { return "mail" }

// Close implements [Notifier]; no connection is kept between mails.
func (m *Mail) Close() {}

// Notify implements [Notifier]. Each mailbox gets a mail of its own, so that one
// that is refused does not keep the others from theirs.
func (m *Mail) Notify(ctx context.Context, message *Message) error {
	ctx, cancel := context.WithTimeout(ctx, m.o.Timeout)
	defer cancel()
	conn := new(held)
	defer conn.close()
	stop := context.AfterFunc(ctx, conn.close) // the library looks at ctx while it connects alone
	defer stop()
	client, err := m.client(conn)
	if err != nil {
		return err
	}
	line, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return m.plain(ctx, "at the greeting", err)
	}
	if err = m.each(ctx, client, line, message); err == nil {
		_ = client.CloseWithSMTPClient(line) // it has the mail; how it says goodbye is of no interest
	}
	return err
}

// each sends to the mailboxes that have not had the message yet.
func (m *Mail) each(ctx context.Context, client *mail.Client, line *smtp.Client, message *Message) (failed error) {
	for _, to := range m.o.To {
		if m.has(message.ID, to) {
			continue
		}
		letter, err := m.letter(message, to)
		if err != nil {
			return err
		}
		err = client.SendWithSMTPClient(line, letter)
		if letter.IsDelivered() {
			m.note(message.ID, to)
			continue
		}
		err = m.plain(ctx, "at the mailbox "+to, err)
		if r := refusal(nil); failed == nil || errors.As(failed, &r) && r.Refused() {
			failed = err // one that may help itself is tried again sooner
		}
		if ctx.Err() != nil {
			break
		}
	}
	if failed == nil {
		m.mu.Lock()
		delete(m.got, message.ID)
		m.mu.Unlock()
	}
	return failed
}

func (m *Mail) has(id, to string) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.got[id][to]
}

func (m *Mail) note(id, to string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.got) > 1000 {
		clear(m.got) // a repeated mail is better than a full memory
	}
	if m.got[id] == nil {
		m.got[id] = map[string]bool{}
	}
	m.got[id][to] = true
}

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
		return nil, errors.New("cannot use the mail server: its name, port or login is not of the right form")
	}
	return c, nil
}

// letter words the mail to one mailbox. Its identity is that of the message, so
// that mail programs show a repetition once.
func (m *Mail) letter(message *Message, to string) (*mail.Msg, error) {
	letter := mail.NewMsg()
	if err := letter.From(m.o.From); err != nil {
		return nil, err
	}
	if err := letter.To(to); err != nil {
		return nil, err
	}
	letter.Subject(message.Subject)
	letter.SetMessageIDWithValue(messageID(message.ID, m.o.From))
	letter.SetDate()
	letter.SetUserAgent(m.o.Agent)
	letter.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no answer from the holidays
	letter.SetGenHeader(AlertIDHeader, message.ID)
	if message.Urgency == Urgent {
		letter.SetImportance(mail.ImportanceUrgent)
	}
	letter.SetBodyString(mail.TypeTextPlain, message.Text)
	return letter, nil
}

// messageID makes an identifier by RFC 5322 of the identity of an alert.
func messageID(id, from string) string {
	_, domain, _ := strings.Cut(from, "@")
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, id) + ".alert@" + domain
}

// MailError is a mail server that answered without taking a mail. What it said is
// left out: it may repeat what it was told.
type MailError struct {
	Code  int // of RFC 5321, 400 to 599; 0 where it cannot do what is asked for
	Where string
}

// Error implements error.
func (e *MailError) Error() string {
	switch {
	case e.Code == 0:
		return "the mail server cannot log us in or encrypt as the configuration asks; look at tls, user and password_file"
	case e.Code == 535 || e.Code == 534 || e.Code == 530:
		return "the mail server answers with code " + strconv.Itoa(e.Code) + ": it does not take the login; look at user and password_file"
	case e.Refused():
		return "the mail server refuses with code " + strconv.Itoa(e.Code) + " " + e.Where
	}
	return "the mail server answers with code " + strconv.Itoa(e.Code) + " " + e.Where
}

// Refused reports whether a person has to look before it can go better.
func (e *MailError) Refused() bool { return e.Code == 0 || e.Code >= 500 }

// plain returns an error without what server and library said, which may hold a secret.
func (m *Mail) plain(ctx context.Context, where string, err error) error {
	var code *textproto.Error
	var sent *mail.SendError
	var network *net.OpError
	var record tls.RecordHeaderError
	var certificate *tls.CertificateVerificationError
	switch {
	case errors.Is(ctx.Err(), context.DeadlineExceeded):
		return fmt.Errorf("the mail server has not answered within %s", m.o.Timeout)
	case errors.As(err, &code):
		return &MailError{code.Code, where}
	case errors.As(err, &sent) && sent.ErrorCode() > 0:
		return &MailError{sent.ErrorCode(), where}
	case errors.As(err, &certificate):
		return fmt.Errorf("cannot trust the mail server: %w", certificate.Err)
	case errors.As(err, &record):
		return errors.New("the mail server does not encrypt as the configuration says; look at tls and port")
	case errors.As(err, &network) && network.Timeout():
		return fmt.Errorf("the mail server has not answered within %s", m.o.Timeout)
	case errors.As(err, &network):
		return fmt.Errorf("cannot reach the mail server: %s: %w", network.Op, network.Err)
	case sent != nil && sent.Reason != mail.ErrGetSender && sent.Reason != mail.ErrGetRcpts && sent.Reason != mail.ErrNoUnencoded,
		errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, net.ErrClosed):
		return errors.New("the mail server broke off the connection")
	}
	return &MailError{0, where}
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
