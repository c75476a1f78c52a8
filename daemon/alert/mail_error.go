package alert

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/textproto"
	"strconv"

	"github.com/wneessen/go-mail"
)

// MailError is a mail server that answered without taking a mail. What it said is
// left out: it may repeat what it was sent.
type MailError struct {
	Code  int // of RFC 5321, 400 to 599; 0 where it cannot do what is needed
	Where string
}

// Error implements error.
func (e *MailError) Error() string {
	switch {
	case e.Code == 0:
		return "the mail server does not offer the configured way to sign in or encrypt; check tls, user and password_file"
	case e.Code == 535 || e.Code == 534 || e.Code == 530:
		return "the mail server answers with code " + strconv.Itoa(e.Code) + ": it refuses user or password; check user and password_file"
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
		return errors.New("the mail server does not encrypt as configured; check tls and port")
	case errors.As(err, &network) && network.Timeout():
		return fmt.Errorf("the mail server has not answered within %s", m.o.Timeout)
	case errors.As(err, &network):
		return fmt.Errorf("cannot reach the mail server: %s: %w", network.Op, network.Err)
	case sent != nil && sent.Reason != mail.ErrGetSender && sent.Reason != mail.ErrGetRcpts && sent.Reason != mail.ErrNoUnencoded,
		errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, net.ErrClosed):
		return errors.New("the mail server closed the connection")
	}
	return &MailError{0, where}
}
