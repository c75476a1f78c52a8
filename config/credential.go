package config

import (
	"strings"
	"unicode"
)

// CredentialFolder stands for the folder in which the service manager puts the credentials of
// this service (systemd.exec(5), CREDENTIALS).
const CredentialFolder = "${CREDENTIALS_DIRECTORY}/"

// Credential returns the name of a credential that a setting names in place of a file,
// as in "${CREDENTIALS_DIRECTORY}/operate".
func Credential(file string) (name string, ok bool) { return strings.CutPrefix(file, CredentialFolder) }

// secretRule accepts the absolute path of a file, or a credential.
func secretRule(s string) (problem, remedy string) {
	const write = "write " + CredentialFolder + "NAME, with the name that stands behind LoadCredential= in the service"
	name, ok := Credential(s)
	switch {
	case strings.HasPrefix(s, "%d/") || !ok && strings.HasPrefix(s, "$"):
		return "is not how a credential is named here", write
	case !ok:
		return pathRule(s)
	case name == "" || name == "." || name == ".." || len(name) > 255 || strings.ContainsAny(name, "/:") || strings.ContainsFunc(name, unicode.IsControl):
		return "has no name of a credential behind the folder", write
	}
	return "", ""
}

// Secrets returns every setting that names a file with a secret or a certificate; empty ones are
// left out.
func (s *Settings) Secrets() (list []Secret) {
	add := func(field, file string) {
		if file != "" {
			list = append(list, Secret{Field: field, File: file})
		}
	}
	add("server.secret_file", s.Server.SecretFile)
	add("server.look_secret_file", s.Server.LookSecretFile)
	add("server.tls_cert_file", s.Server.TLSCertFile)
	add("server.tls_key_file", s.Server.TLSKeyFile)
	for _, h := range s.Alerts.Webhooks {
		add("url_file of alerts.webhooks", h.URLFile)
		add("sign_file of alerts.webhooks", h.SignFile)
	}
	for _, m := range s.Alerts.Mails {
		add("password_file of alerts.mails", m.PasswordFile)
	}
	for _, v := range s.Alerts.Services {
		add("url_file of alerts.services", v.URLFile)
	}
	for _, m := range s.Alerts.Alertmanagers {
		add("url_file of alerts.alertmanagers", m.URLFile)
	}
	return list
}

// Secret is a file with a secret, and the setting that names it.
type Secret struct{ Field, File string }
