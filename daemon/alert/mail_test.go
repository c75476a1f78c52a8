package alert

import (
	"bufio"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"beltwarden/supervisor/ledger"
)

// mailServer speaks as much of RFC 5321 as a mail takes, and as badly as it is set to.
type mailServer struct {
	net.Listener
	mu     sync.Mutex
	mails  []string            // as they came, envelope first
	answer func(string) string // to a command; "" for the usual
	silent bool                // says nothing, ever
	login  string              // user and password that it takes; "" asks for none
	wait   sync.WaitGroup
}

func newMailServer(t *testing.T, alter func(*mailServer)) *mailServer {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &mailServer{Listener: l}
	if alter != nil {
		alter(s)
	}
	s.wait.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			s.wait.Go(func() { s.talk(conn) })
		}
	})
	t.Cleanup(func() { _ = l.Close(); s.wait.Wait() })
	return s
}

func (s *mailServer) talk(conn net.Conn) {
	defer conn.Close()
	in := bufio.NewReader(conn)
	if s.silent {
		_, _ = in.ReadString('\n') // until the other end has had enough
		return
	}
	say := func(line string) { fmt.Fprintf(conn, "%s\r\n", line) }
	say("220 mail.workshop.example")
	var envelope []string
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimRight(line, "\r\n")
		verb := strings.ToUpper(strings.SplitN(line+" ", " ", 2)[0])
		if s.answer != nil {
			if set := s.answer(line); set == "-" {
				return
			} else if set != "" {
				say(set)
				continue
			}
		}
		switch verb {
		case "EHLO":
			say("250-mail.workshop.example")
			if s.login != "" {
				say("250-AUTH PLAIN")
			}
			say("250 8BITMIME")
		case "AUTH":
			text, _ := base64.StdEncoding.DecodeString(strings.TrimPrefix(line, "AUTH PLAIN "))
			if string(text) != "\x00"+strings.Replace(s.login, ":", "\x00", 1) {
				say("535 5.7.8 wrong: " + string(text)) // repeats what it was sent, as some do
				continue
			}
			say("235 2.7.0 welcome")
		case "MAIL", "RCPT":
			envelope = append(envelope, line)
			say("250 fine")
		case "DATA":
			say("354 go on")
			var text strings.Builder
			for {
				line, err := in.ReadString('\n')
				if err != nil {
					return
				}
				if line == ".\r\n" {
					break
				}
				text.WriteString(strings.TrimPrefix(line, "."))
			}
			s.mu.Lock()
			s.mails = append(s.mails, strings.Join(envelope, "\n")+"\n\n"+text.String())
			s.mu.Unlock()
			envelope = nil
			say("250 taken")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 as you like")
		}
	}
}

func (s *mailServer) got() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string{}, s.mails...)
}

func mailTo(t *testing.T, s *mailServer, alter func(*MailOptions)) *Mail {
	t.Helper()
	addr := s.Addr().(*net.TCPAddr)
	o := MailOptions{Name: "foreman", Host: "127.0.0.1", Port: addr.Port, TLS: "none", From: "press@workshop.example",
		To: []string{"ada@workshop.example", "ben@workshop.example"}, Timeout: patience}
	if alter != nil {
		alter(&o)
	}
	m, err := NewMail(o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// holdMessage is about a heat fault.
func holdMessage() *Message {
	w := Writer{Machine: "clip press", VisitURL: "https://belt.workshop.example/visit"}
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	return w.Several(Call{Receiver: "phone", Now: at}, ledger.Alert{ID: "s-7", Kind: "heat", State: "Aborted", Reason: "heat", Text: "nozzle at 240 °C of 205",
		Payload: []byte(`{"machine":"clip press","heat":{"is":"may_be_on","nozzle_c":240},"advice":"look at it","lot":{"id":3,"name":"clips","made":21,"good":12,"unverified":8,"scrap":1,"ordered":40}}`),
		Stamp:   ledger.Stamp{At: at}})
}

// TestAMail reaches each mailbox with everything that is to be sent, read by another
// implementation (net/mail).
func TestAMail(t *testing.T) {
	s := newMailServer(t, func(s *mailServer) { s.login = "press:s3cret-word" })
	m := mailTo(t, s, func(o *MailOptions) { o.User, o.Password = "press", "s3cret-word" })
	if err := m.Notify(t.Context(), holdMessage()); err != nil {
		t.Fatal(err)
	}
	got := s.got()
	if len(got) != 2 || !strings.Contains(got[0], "RCPT TO:<ada@workshop.example>") || !strings.Contains(got[1], "RCPT TO:<ben@workshop.example>") {
		t.Fatalf("%d mails: %q", len(got), got)
	}
	_, text, _ := strings.Cut(got[0], "\n\n")
	letter, err := mail.ReadMessage(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{"Subject": "CUT THE MAINS, clip press: heat fault, heaters were at 240 °C", "From": "<press@workshop.example>", "To": "<ada@workshop.example>",
		"Message-Id": "<s-7.alert@workshop.example>", "Auto-Submitted": "auto-generated", AlertIDHeader: "s-7"} {
		if got, err := new(mime.WordDecoder).DecodeHeader(letter.Header.Get(name)); err != nil || got != want {
			t.Errorf("%s is %q, want %q, %v", name, got, want, err)
		}
	}
	read, err := io.ReadAll(quotedprintable.NewReader(letter.Body))
	if err != nil {
		t.Fatal(err)
	}
	text = string(read)
	for _, want := range []string{"nozzle at 240", "21 made: 12 good, 8 not looked at, 1 scrap; 40 ordered", "1. Look at it", "https://belt.workshop.example/visit"} {
		if !strings.Contains(text, want) {
			t.Errorf("the mail lacks %q:\n%s", want, text)
		}
	}
}

// TestMailServersInTrouble: down, silent, breaking off, for a while and for good. The error
// says which, and nothing of what the server repeated.
func TestMailServersInTrouble(t *testing.T) {
	const secret = "s3cret-word"
	for _, c := range []struct {
		name    string
		alter   func(*mailServer)
		says    string
		refused bool
	}{
		{"silent", func(s *mailServer) { s.silent = true }, "has not answered within 100ms", false},
		{"full", func(s *mailServer) { s.answer = on("RCPT", "452 4.2.2 mailbox full") }, "code 452", false},
		{"busy", func(s *mailServer) { s.answer = on("MAIL", "421 4.3.2 come again") }, "code 421", false},
		{"unknown mailbox", func(s *mailServer) { s.answer = on("RCPT", "550 5.1.1 no such user") }, "code 550", true},
		{"spam", func(s *mailServer) { s.answer = on("DATA", "554 5.7.1 not here") }, "code 554", true},
		{"breaks off", func(s *mailServer) { s.answer = on("DATA", "-") }, "closed the connection", false},
		{"wrong login", func(s *mailServer) { s.login = "press:another" }, "refuses user or password", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := mailTo(t, newMailServer(t, c.alter), func(o *MailOptions) {
				switch c.name {
				case "wrong login":
					o.User, o.Password = "press", secret
				case "silent":
					o.Timeout = 100 * time.Millisecond
				}
			})
			err := m.Notify(t.Context(), holdMessage())
			if err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), secret) {
				t.Fatalf("%v; want %q", err, c.says)
			}
			var r refusal
			if refused := errors.As(err, &r) && r.Refused(); refused != c.refused {
				t.Errorf("refused for good: %v, want %v: %v", refused, c.refused, err)
			}
		})
	}
	s := newMailServer(t, nil)
	m := mailTo(t, s, nil)
	_ = s.Close()
	if err := m.Notify(t.Context(), holdMessage()); err == nil || !strings.Contains(err.Error(), "cannot reach the mail server") {
		t.Errorf("down: %v", err)
	}
	secure := mailTo(t, newMailServer(t, nil), func(o *MailOptions) { o.TLS = "starttls" })
	if err := secure.Notify(t.Context(), holdMessage()); err == nil || !strings.Contains(err.Error(), "encrypt") {
		t.Errorf("a server that cannot encrypt: %v", err)
	}
}

// on answers a verb with a line of its own.
func on(verb, line string) func(string) string {
	return func(said string) string {
		if strings.HasPrefix(strings.ToUpper(said), verb) {
			return line
		}
		return ""
	}
}

// TestAMailboxThatIsFull does not keep the other from its mail, and is tried again alone.
func TestAMailboxThatIsFull(t *testing.T) {
	var full sync.Mutex
	isFull := true
	s := newMailServer(t, func(s *mailServer) {
		s.answer = func(said string) string {
			full.Lock()
			defer full.Unlock()
			if isFull && strings.Contains(said, "RCPT TO:<ada@") {
				return "452 4.2.2 mailbox full"
			}
			return ""
		}
	})
	m := mailTo(t, s, nil)
	if err := m.Notify(t.Context(), holdMessage()); err == nil {
		t.Fatal("it is not said that one mailbox has not got it")
	}
	if got := s.got(); len(got) != 1 || !strings.Contains(got[0], "ben@") {
		t.Fatalf("%q", got)
	}
	full.Lock()
	isFull = false
	full.Unlock()
	if err := m.Notify(t.Context(), holdMessage()); err != nil {
		t.Fatal(err)
	}
	if got := s.got(); len(got) != 2 || !strings.Contains(got[1], "ada@") {
		t.Errorf("%d mails, the second %q", len(got), got[len(got)-1])
	}
}

// TestAMailIsBrokenOff when the daemon ends.
func TestAMailIsBrokenOff(t *testing.T) {
	m := mailTo(t, newMailServer(t, func(s *mailServer) { s.silent = true }), func(o *MailOptions) { o.Timeout = 2 * patience })
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(100*time.Millisecond, cancel)
	begin := time.Now()
	if err := m.Notify(ctx, holdMessage()); err == nil || time.Since(begin) > patience {
		t.Errorf("%v after %s", err, time.Since(begin))
	}
}
