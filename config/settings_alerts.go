package config

import "time"

// Alerts describes who is called, and when.
type Alerts struct {
	Webhooks      []Webhook
	Mails         []Mail
	Services      []Service
	Alertmanagers []Alertmanager

	RetryFirst time.Duration // wait after the first failed delivery, doubled each time
	RetryLimit time.Duration // longest wait between two tries

	Ahead         time.Duration // how long before a visit is due its alert is sent; 0 sends none
	EscalateAfter time.Duration // the next level is called when nobody has acted for so long
	Quiet         string        // local time of day in which what can wait is kept back, "22:00-07:00"; empty for never
	QuietHolds    bool          // holds and suspensions can wait too
	PerHour       int           // messages to one receiver in an hour; the rest is sent in one; 0 for no limit
}

// Receiver is what all receivers of alerts have.
type Receiver struct {
	Name  string // in commands, metrics and on screens; a webhook without one is named by its host
	Level int    // 1 is called at once, each further one after EscalateAfter more
}

// Webhook is one receiver of alerts, called by POST with a JSON body.
type Webhook struct {
	Receiver
	URL      string            // may carry a secret: never log it
	URLFile  string            // absolute path of a file that holds it, in its place
	Header   map[string]string // added to each request; may carry a secret: never log it
	SignFile string            // absolute path of the secret that requests are signed with; empty for none
	Timeout  time.Duration     // for one try
}

// The ways in which a mail server is spoken to.
const (
	MailStartTLS = "starttls" // plain at first, encrypted before anything is said
	MailTLS      = "tls"      // encrypted from the first byte
	MailPlain    = "none"     // not encrypted
)

// Mail is a mailbox or several, reached by a mail server.
type Mail struct {
	Receiver
	Host         string
	Port         int    // 0 takes what TLS uses: 587, 465 or 25
	TLS          string // MailStartTLS, MailTLS or MailPlain
	User         string // empty for a server that asks for none
	PasswordFile string // absolute path
	From         string
	To           []string
	Timeout      time.Duration // for one try
}

// Service is a chat or push service, addressed by a URL in a file, since it holds a secret.
type Service struct {
	Receiver
	URLFile string // absolute path
	Timeout time.Duration
}

// Alertmanager is an Alertmanager of Prometheus.
type Alertmanager struct {
	Receiver
	URL     string            // may carry a secret: never log it
	URLFile string            // absolute path of a file that holds it, in its place
	Header  map[string]string // may carry a secret: never log it
	Timeout time.Duration
}
