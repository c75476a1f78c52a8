package alert

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/mattermost"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/telegram"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/gotify"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/ntfy"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/specialized/generic"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// mostServiceText is what every service takes in one message, in characters.
const mostServiceText = 1000

// ServiceOptions describe a chat or push service.
type ServiceOptions struct {
	Name    string        // of the receiver
	URL     string        // in the library's form; holds a secret
	Timeout time.Duration // of one attempt, 30 s when 0
}

// Service is a [Notifier] for chat and push services. The library takes no context:
// an attempt that outlasts its time goes on by itself, and no other begins until it
// has ended.
type Service struct {
	name    string
	url     string
	how     how
	timeout time.Duration

	busy chan struct{} // holds a token while an attempt goes on
}

// how is what a service makes of a title, and how it is given an urgency.
type how struct {
	titled bool // it shows a title beside the text; for others the title is the first line
	// key is the parameter for the urgency and value what it is set to; "" leaves what the
	// address or the service says.
	key   string
	value [Urgent + 1]string
	// fields are further parameters of the service: what a tap opens, whose message it is.
	fields func(*Message) types.Params
}

// tap is the address that a tap on a message opens; "" is none.
func tap(m *Message) string { return cmp.Or(m.Coming, m.Visit) }

// opens returns fields with the address that a tap opens under a name.
func opens(name string) func(*Message) types.Params {
	return func(m *Message) types.Params { return types.Params{name: tap(m)} }
}

// services are those of the library that can be used, by its documentation and its source.
// A parameter that a service does not know is an error to the library, or is left out.
var services = map[string]how{
	"bark":       {titled: true, fields: opens("url")},
	"discord":    {titled: true},
	"generic":    {}, // titled with a template
	"gotify":     {titled: true, key: "priority", value: [...]string{"4", "7", "10"}},
	"googlechat": {},
	"hangouts":   {},
	"ifttt":      {},
	"join":       {titled: true},
	"lark":       {titled: true},
	"matrix":     {},
	"mattermost": {},
	"notifiarr":  {titled: true},
	"ntfy": {titled: true, key: "priority", value: [...]string{"default", "high", "max"},
		fields: func(m *Message) types.Params {
			var buttons []string
			for _, b := range []struct{ name, address string }{{"Record the visit", m.Visit}, {"I am coming", m.Coming}} {
				if b.address != "" {
					buttons = append(buttons, "view, "+b.name+", "+b.address)
				}
			}
			return types.Params{"click": tap(m), "actions": strings.Join(buttons, ";"), "tags": [...]string{"", "", "warning"}[m.Urgency]}
		}},
	"opsgenie": {titled: true, key: "priority", value: [...]string{"P5", "P3", "P1"},
		fields: func(m *Message) types.Params { // a repetition is no second alert
			return types.Params{"alias": m.ID, "source": m.Machine, "tags": m.Urgency.String()}
		}},
	"pagerduty": {key: "severity", value: [...]string{"info", "warning", "critical"},
		fields: func(m *Message) types.Params {
			return types.Params{"dedup_key": m.ID, "source": m.Machine, "client": m.Machine, "client_url": tap(m)}
		}},
	"pushbullet": {titled: true},
	"pushover":   {titled: true, key: "priority", value: [...]string{"", "0", "1"}}, // 2 wants fields that the library does not send
	"rocketchat": {},
	"signal":     {},
	"slack":      {titled: true},
	"teams":      {titled: true},
	"telegram":   {key: "notification", value: [...]string{"", "Yes", "Yes"}}, // an address may ask for silence
	"wecom":      {},
	"zulip":      {},
}

// NewService returns a receiver. It connects to nothing yet. The error shows
// nothing of the URL.
func NewService(o ServiceOptions) (*Service, error) {
	bound()
	kind, _, _ := strings.Cut(o.URL, ":")
	kind, _, _ = strings.Cut(kind, "+")
	kind = strings.ToLower(kind)
	if kind == "smtp" || kind == "logger" {
		return nil, errors.New("cannot use the address of a service: mail has a list of its own, alerts.mails, and a log calls nobody")
	}
	wrong := errors.New("cannot use the address of a service: it is not of the form service://token@host/..., or its service is not known")
	u, err := url.Parse(o.URL)
	h, known := services[kind]
	if err != nil || !known {
		return nil, wrong
	}
	if kind == "matrix" && u.User.Username() != "" {
		return nil, errors.New("cannot use the address of a service: with a user and a password every message would be a sign-in of its own; " +
			"write an access token and no user, matrix://:TOKEN@HOST/")
	}
	to, err := sender(o.URL)
	if err != nil {
		return nil, wrong
	}
	if g, ok := to.(*generic.Service); ok {
		h.titled = g.Config.Template != ""
	}
	if o.Timeout <= 0 {
		o.Timeout = 30 * time.Second
	}
	return &Service{name: o.Name, url: o.URL, how: h, timeout: o.Timeout, busy: make(chan struct{}, 1)}, nil
}

// sender returns a sender for one message. Those of the library keep what a message set:
// headers are added to those of the message before, and the first title stays.
func sender(address string) (types.Service, error) {
	router, err := shoutrrr.CreateSender()
	if err != nil {
		return nil, err
	}
	to, err := router.Locate(address)
	if err != nil {
		return nil, err
	}
	switch s := to.(type) { // those that bring a transport of their own
	case *gotify.Service:
		s.GetHTTPClient().Transport = transport(s.Config.InsecureSkipVerify)
	case *mattermost.Service:
		s.GetHTTPClient().Transport = transport(false)
	case *ntfy.Service:
		s.SetHTTPClient(&http.Client{Timeout: longest, Transport: transport(s.Config.DisableTLSVerification)})
	case *telegram.Service:
		return chats{s}, nil
	}
	return to, nil
}

// Name implements [Notifier].
func (s *Service) Name() string { return s.name }

// Kind implements [Notifier].
func (s *Service) Kind() string { return "service" }

// Close implements [Notifier].
func (s *Service) Close() {
	outward.RoundTripper.(interface{ CloseIdleConnections() }).CloseIdleConnections()
}

// Notify implements [Notifier].
func (s *Service) Notify(ctx context.Context, m *Message) error {
	ctx, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	select {
	case s.busy <- struct{}{}:
	case <-ctx.Done():
		return errors.New("the service has not answered the previous attempt yet")
	}
	params := types.Params{}
	if s.how.fields != nil {
		maps.Copy(params, s.how.fields(m))
		maps.DeleteFunc(params, func(_, v string) bool { return v == "" }) // what the address says stays
	}
	if v := s.how.value[m.Urgency]; v != "" {
		params[s.how.key] = v
	}
	title := ""
	if s.how.titled {
		params["title"] = m.Subject
	} else {
		title = m.Subject + "\n"
	}
	text := title + m.fit(mostServiceText-len([]rune(title)))
	done := make(chan error, 1)
	go func() {
		defer func() { <-s.busy }()
		defer func() {
			if recover() != nil { // a fault of the library must not end the run
				done <- errFault
			}
		}()
		to, err := sender(s.url)
		if err == nil {
			err = to.Send(text, &params)
		}
		done <- err
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
	var status *StatusError
	var network *net.OpError
	var lookUp *net.DNSError
	switch {
	case errors.As(err, &status):
		return status
	case errors.As(err, &lookUp):
		return errors.New("cannot reach the service: unknown host name")
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
	return errors.New("the service did not accept the message; check the address in its file")
}
