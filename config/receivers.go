package config

import (
	"net"
	"net/mail"
	"strconv"
	"strings"
	"time"
	"unicode"

	"gopkg.in/yaml.v3"
)

const (
	writeAbsolute = "write an absolute path"
	writeMailbox  = "write it as name@example.org"
	maxLevel      = 3
	mailWait      = 30 * time.Second // one delivery by mail or service, when no time is written
)

// receiverFields returns the fields that all receivers have.
func (r *reader) receiverFields(to *Receiver, missing string) []field {
	return []field{
		r.textField("name", missing, "write a word such as workshop", receiverNameRule, &to.Name),
		r.intField("level", level, 1, maxLevel, &to.Level),
	}
}

// receiverNameRule accepts a word that can be an argument and a label.
func receiverNameRule(s string) (problem, remedy string) {
	odd := func(c rune) bool { return (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' }
	if s == "" || len(s) > 32 || strings.ContainsFunc(s, odd) || s[0] == '-' {
		return "is not a name", "write 1 to 32 small letters, digits and dashes, such as workshop"
	}
	return "", ""
}

// checkUniqueName refuses a second receiver of one name: their queues would be one.
func (r *reader) checkUniqueName(item *yaml.Node, at string, c *Receiver) {
	if c.Name == "" {
		return
	}
	if line, twice := r.receiverLines[c.Name]; twice {
		r.at(item, at+".name", "is already the name of the receiver in line "+itoa(line), "give each receiver a name of its own")
		return
	}
	if r.receiverLines == nil {
		r.receiverLines = map[string]int{}
	}
	r.receiverLines[c.Name] = item.Line
}

const missingName = "give it a name, such as workshop"

// mails reads the list of mailboxes.
func (r *reader) mails(n *yaml.Node, to *[]Mail) {
	r.items(n, "alerts.mails", receivers("name: workshop"), func(item *yaml.Node, at string) {
		m := Mail{Receiver: Receiver{Level: 1}, TLS: MailStartTLS, Timeout: mailWait}
		r.item(item, at, append(r.receiverFields(&m.Receiver, missingName),
			r.textField("host", "name the mail server, such as mail.example.org", "write the mail server, such as mail.example.org", hostRule, &m.Host),
			r.intField("port", ports, 1, 65535, &m.Port),
			r.choiceField("tls", &m.TLS, MailStartTLS, MailTLS, MailPlain),
			r.textField("user", "", "write the name that the server knows", plainRule, &m.User),
			r.textField("password_file", "", writeAbsolute, secretRule, &m.PasswordFile),
			r.textField("from", "write who the mail is from, such as press@example.org", writeMailbox, mailRule, &m.From),
			r.listField("to", "write who gets the mail, such as [ana@example.org]", "write it as [ana@example.org]", mailRule, &m.To),
			r.timeoutField(300, &m.Timeout)))
		r.checkLogin(item, at, &m)
		r.checkUniqueName(item, at, &m.Receiver)
		*to = append(*to, m)
	})
}

// checkLogin refuses a user without a password, a password without a user, and a password that
// would travel unencrypted.
func (r *reader) checkLogin(item *yaml.Node, at string, m *Mail) {
	switch user, file := hasKey(item, "user"), hasKey(item, "password_file"); {
	case user && !file:
		r.at(item, at+".password_file", "is missing", "name the file with the password of user, or take user out")
	case file && !user:
		r.at(item, at+".user", "is missing", "write the name that belongs to the password, or take password_file out")
	case m.User != "" && m.TLS == MailPlain && !Loopback(net.JoinHostPort(m.Host, "25")):
		r.at(item, at+".tls", "is none, and the password would travel where others can read it", "write starttls or tls")
	}
}

// services reads the list of chat and push services.
func (r *reader) services(n *yaml.Node, to *[]Service) {
	r.items(n, "alerts.services", receivers("name: phone"), func(item *yaml.Node, at string) {
		s := Service{Receiver: Receiver{Level: 1}, Timeout: mailWait}
		r.item(item, at, append(r.receiverFields(&s.Receiver, missingName),
			r.textField("url_file", "name a file that holds the address of the service, with its token", writeAbsolute, secretRule, &s.URLFile),
			r.timeoutField(300, &s.Timeout)))
		r.checkUniqueName(item, at, &s.Receiver)
		*to = append(*to, s)
	})
}

// alertmanagers reads the list of Alertmanagers.
func (r *reader) alertmanagers(n *yaml.Node, to *[]Alertmanager) {
	r.items(n, "alerts.alertmanagers", receivers("name: alertmanager"), func(item *yaml.Node, at string) {
		m := Alertmanager{Receiver: Receiver{Level: 1}, Timeout: webhookTimeout}
		r.item(item, at, append(r.receiverFields(&m.Receiver, missingName),
			r.textField("url", "", "write it as http://127.0.0.1:9093", urlRule, &m.URL),
			r.textField("url_file", "", writeAbsolute, secretRule, &m.URLFile),
			field{"header", "", func(n *yaml.Node, at string) { r.header(n, at, &m.Header) }},
			r.timeoutField(120, &m.Timeout)))
		r.checkAddress(item, at)
		r.checkUniqueName(item, at, &m.Receiver)
		*to = append(*to, m)
	})
}

// checkLevels refuses receivers of higher levels alone: those are called after the ones of level 1.
func (r *reader) checkLevels() {
	a := &r.settings.Alerts
	levels := map[int]bool{}
	for i := range a.Webhooks {
		levels[a.Webhooks[i].Level] = true
	}
	for i := range a.Mails {
		levels[a.Mails[i].Level] = true
	}
	for i := range a.Services {
		levels[a.Services[i].Level] = true
	}
	for i := range a.Alertmanagers {
		levels[a.Alertmanagers[i].Level] = true
	}
	if len(levels) > 0 && !levels[1] {
		r.conflict("no receiver has level 1, so that nobody is called at once", "take the level of the first one out",
			"alerts.webhooks", "alerts.mails", "alerts.services", "alerts.alertmanagers")
	}
}

// hostRule accepts a host name or an IP address.
func hostRule(s string) (problem, remedy string) {
	if s == "" || strings.ContainsFunc(s, func(c rune) bool {
		return unicode.IsSpace(c) || unicode.IsControl(c) || strings.ContainsRune("/@[]", c)
	}) ||
		strings.Contains(s, ":") && net.ParseIP(s) == nil {
		return "is not the name of a computer", "write it as mail.example.org; its port has a key of its own"
	}
	return "", ""
}

// plainRule accepts one line of text.
func plainRule(s string) (problem, remedy string) {
	if s == "" || strings.ContainsFunc(s, unicode.IsControl) {
		return "is empty or holds a line end", "write it on one line"
	}
	return "", ""
}

// mailRule accepts a bare mail address, without a display name.
func mailRule(s string) (problem, remedy string) {
	if a, err := mail.ParseAddress(s); err != nil || a.Address != s || strings.ContainsFunc(s, unicode.IsControl) {
		return "is not a mail address", writeMailbox
	}
	return "", ""
}

func itoa(n int) string { return strconv.Itoa(n) }
