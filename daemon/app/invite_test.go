package app

import (
	"fmt"
	"net/http"
	"os"
	"strings"
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"beltwarden/daemon/access"
	"beltwarden/daemon/client"
)

// TestWhoIsInvited: a code is made over the socket and with the secret of those who operate, by nobody else; it signs in by the
// address that it comes with, once; and no log holds it.
func TestWhoIsInvited(t *testing.T) {
	c, r := locked(t), machine(t)
	core, logged := observer.New(zap.DebugLevel)
	a := start(t, Options{Config: c, Opener: r.Open, Log: zap.New(core)})
	at := "http://" + a.Addr()
	secret := func(path string) string {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(string(text))
	}
	h := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer h.CloseIdleConnections()
	for name, lines := range map[string][]string{"nobody": nil, "a looker": {"Authorization: Bearer " + secret(c.Server.LookSecretFile)}} {
		status, text := ask(t, h, "POST", at+"/api/v1/invitations", `{"role":"look","url":"`+at+`"}`, append(lines, "Content-Type: application/json")...)
		if status != http.StatusUnauthorized && status != http.StatusForbidden || strings.Contains(text, access.InvitePath) {
			t.Errorf("%s is answered %d %s", name, status, text)
		}
	}
	for name, from := range map[string]*client.Client{"the socket": connect(t, c.Server.Socket), "who operates": connect(t, at, client.WithSecret(secret(c.Server.SecretFile)))} {
		v, err := from.Invite(t.Context(), client.InviteRequest{Role: "operate", URL: at})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if v.Machine != c.Machine.Name || v.Role != "operate" || !strings.HasPrefix(v.URL, at+access.InvitePath) || v.Login != at+"/login" {
			t.Errorf("%s: %+v", name, v)
		}
		if status, text := ask(t, h, "GET", v.URL, "", "Accept: text/html"); status != http.StatusOK || !strings.Contains(text, v.Machine) {
			t.Errorf("%s: %d %s", name, status, text)
		}
		if status, _ := ask(t, h, "POST", v.URL, "", "Accept: text/html"); status != http.StatusSeeOther {
			t.Errorf("%s: %d", name, status)
		}
		if status, _ := ask(t, h, "POST", v.URL, "", "Accept: text/html"); status != http.StatusGone {
			t.Errorf("%s, once more: %d", name, status)
		}
		token := v.URL[strings.LastIndexByte(v.URL, '/')+1:]
		for _, e := range logged.All() {
			text := e.Message
			for k, f := range e.ContextMap() {
				text += " " + k + " " + fmt.Sprint(f)
			}
			if strings.Contains(text, token) || strings.Contains(text, v.Code) {
				t.Errorf("the log holds it: %s", text)
			}
		}
	}
	if logged.FilterMessage("a code to sign in was made").Len() != 2 {
		t.Errorf("the log does not say that codes were made: %v", logged.All())
	}
	_, err := connect(t, c.Server.Socket).Invite(t.Context(), client.InviteRequest{Role: "own", URL: at})
	if err == nil || !strings.Contains(err.Error(), "look nor operate") {
		t.Errorf("another role: %v", err)
	}
}

// TestAddressOfAnInvitation is that of the configuration, or the one that is asked for; where none is known to lead here from a
// telephone, what to set is said.
func TestAddressOfAnInvitation(t *testing.T) {
	for _, c := range []struct{ listen, public, asked, want, wrong string }{
		{"127.0.0.1:0", "", "", "", "set server.listen"},
		{"127.0.0.1:0", "https://belt.workshop.example", "", "https://belt.workshop.example", ""},
		{"127.0.0.1:0", "https://belt.workshop.example/", "", "https://belt.workshop.example", ""},
		{"127.0.0.1:0", "", "http://192.0.2.7:7353", "http://192.0.2.7:7353", ""},
		{"127.0.0.1:0", "https://belt.workshop.example", "http://192.0.2.7:7353/", "http://192.0.2.7:7353", ""},
		{"127.0.0.1:0", "", "http://127.0.0.1:8000", "http://127.0.0.1:8000", ""}, // the telephone's end of a tunnel
		{"0.0.0.0:0", "", "", "", "--url http://"},
		{"127.0.0.1:0", "", "http://other.example:7353", "", "does not answer by the name other.example"},
		{"127.0.0.1:0", "", "192.0.2.7:7353", "", "http://ADDRESS:PORT"},
		{"127.0.0.1:0", "", "ftp://192.0.2.7", "", "http://ADDRESS:PORT"},
		{"127.0.0.1:0", "", "http://192.0.2.7/screen", "", "http://ADDRESS:PORT"},
		{"127.0.0.1:0", "", "http://anna@192.0.2.7", "", "http://ADDRESS:PORT"},
		{"127.0.0.1:0", "", "http://192.0.2.7?a=1", "", "http://ADDRESS:PORT"},
	} {
		s := locked(t)
		s.Server.Listen, s.Server.PublicURL = c.listen, c.public
		a := start(t, Options{Config: s, Opener: machine(t).Open})
		v, err := a.invite(client.InviteRequest{Role: "look", URL: c.asked}, "Ada")
		switch {
		case c.wrong != "":
			if err == nil || !strings.Contains(err.Error(), c.wrong) {
				t.Errorf("%+v: %+v, %v", c, v, err)
			}
		case err != nil || !strings.HasPrefix(v.URL, c.want+access.InvitePath) || v.Login != c.want+"/login":
			t.Errorf("%+v: %+v, %v", c, v, err)
		}
		if err := stopApp(a); err != nil {
			t.Fatal(err)
		}
	}
	a := start(t, Options{Config: settings(t), Opener: machine(t).Open})
	if _, err := a.invite(client.InviteRequest{Role: "look"}, "Ada"); err == nil || !strings.Contains(err.Error(), "no secret is set") {
		t.Errorf("without a secret: %v", err)
	}
}
