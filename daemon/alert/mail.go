package alert

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/wneessen/go-mail"
	"github.com/wneessen/go-mail/smtp"
)

// MailOptions describe mailboxes that are reached by a mail server.
type MailOptions struct {
	Name     string // of the receiver
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
		return nil, fmt.Errorf("cannot use the mail server %s: %q is not a mail encryption mode", o.Host, o.TLS)
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

// Name implements [Notifier].
func (m *Mail) Name() string { return m.o.Name }

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
