package alert

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nicholas-fedor/shoutrrr"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// mostServiceText is what every service takes in one message, in characters.
const mostServiceText = 1000

// ServiceOptions describe a chat or push service.
type ServiceOptions struct {
	Name    string        // of the channel
	URL     string        // in the library's form; holds a secret
	Timeout time.Duration // of one attempt, 30 s when 0
}

// Service is a [Notifier] for chat and push services. The library takes no context:
// an attempt that outlasts its time goes on by itself, and no other begins until it
// has ended.
type Service struct {
	name    string
	to      types.Service
	titled  bool // it shows a title beside the text
	timeout time.Duration

	busy chan struct{} // holds a token while an attempt goes on
}

// bound keeps the library's own requests within limits that it does not set: it
// would wait for ever, and carry a message and its secret on to wherever it is
// redirected. Nothing else in this program uses the shared client.
var bound = sync.OnceFunc(func() {
	http.DefaultClient.Timeout = 2 * time.Minute
	http.DefaultClient.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
})

// NewService returns a receiver. It connects to nothing yet. The error shows
// nothing of the URL.
func NewService(o ServiceOptions) (*Service, error) {
	bound()
	kind, _, _ := strings.Cut(o.URL, ":")
	kind, _, _ = strings.Cut(kind, "+")
	if kind == "smtp" || kind == "logger" {
		return nil, errors.New("cannot use the address of a service: mail has a list of its own, alerts.mails, and a log calls nobody")
	}
	router, err := shoutrrr.CreateSender()
	if err != nil {
		return nil, errors.New("cannot prepare the sending to services")
	}
	to, err := router.Locate(o.URL)
	if err != nil {
		return nil, errors.New("cannot use the address of a service: it is not of the form service://token@host/..., or its service is not known")
	}
	if o.Timeout <= 0 {
		o.Timeout = 30 * time.Second
	}
	return &Service{name: o.Name, to: to, titled: hasTitle(to), timeout: o.Timeout, busy: make(chan struct{}, 1)}, nil
}

// hasTitle says whether the settings of a service have a title, since one that has
// none refuses a message that brings it.
func hasTitle(s types.Service) bool {
	v := reflect.Indirect(reflect.ValueOf(s))
	if v.Kind() != reflect.Struct {
		return false
	}
	c := v.FieldByName("Config")
	if !c.IsValid() || c.Kind() != reflect.Pointer || c.Type().Elem().Kind() != reflect.Struct {
		return false
	}
	for _, f := range reflect.VisibleFields(c.Type().Elem()) {
		if key, _, _ := strings.Cut(f.Tag.Get("key"), ","); key == "title" {
			return true
		}
	}
	return false
}

// Channel implements [Notifier].
func (s *Service) Channel() string { return s.name }

// Kind implements [Notifier].
func (s *Service) Kind() string { return "service" }

// Close implements [Notifier].
func (s *Service) Close() { http.DefaultClient.CloseIdleConnections() }

// Notify implements [Notifier].
func (s *Service) Notify(ctx context.Context, m *Message) error {
	ctx, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	select {
	case s.busy <- struct{}{}:
	case <-ctx.Done():
		return errors.New("the service has not answered an earlier attempt yet")
	}
	text, params := m.Text, types.Params{}
	if s.titled {
		params["title"] = m.Subject
	} else {
		text = m.Subject + "\n" + text
	}
	if r := []rune(text); len(r) > mostServiceText {
		text = string(r[:mostServiceText-1]) + "…"
	}
	done := make(chan error, 1)
	go func() {
		defer func() { <-s.busy }()
		defer func() {
			if recover() != nil { // a fault of the library must not end the run
				done <- errFault
			}
		}()
		done <- s.to.Send(text, &params)
	}()
	select {
	case err := <-done:
		return s.plain(err)
	case <-ctx.Done():
		return fmt.Errorf("the service has not answered within %s", s.timeout)
	}
}

var errFault = errors.New("fault")

// answered finds the status that a service has answered with in what the library says.
var answered = regexp.MustCompile(`(?i)(?:status|http|code|response)[^0-9]{0,24}\b([345][0-9][0-9])\b`)

// plain returns an error without what the library says, since that may hold the
// address with its secret, or the answer of the service.
func (s *Service) plain(err error) error {
	if err == nil {
		return nil
	}
	var network *net.OpError
	var lookUp *net.DNSError
	switch {
	case errors.As(err, &lookUp):
		return errors.New("cannot reach the service: the name of its computer is not known")
	case errors.As(err, &network):
		return fmt.Errorf("cannot reach the service: %s: %w", network.Op, network.Err)
	}
	if found := answered.FindStringSubmatch(err.Error()); found != nil {
		status, _ := strconv.Atoi(found[1])
		return &StatusError{Status: status}
	}
	// Some services hand on the text of an error alone.
	for _, why := range []string{"connection refused", "network is unreachable", "no route to host", "no such host", "connection reset", "i/o timeout", "EOF"} {
		if strings.Contains(err.Error(), why) {
			return errors.New("cannot reach the service: " + why)
		}
	}
	return errors.New("the service has not taken the message; look at the address in its file")
}
