package browser

import (
	"strings"
	"testing"

	"beltwarden/daemon/client"
)

// A telephone that has read the code from the terminal sees machine and role, presses one button, and is in; the code typed on the
// page that asks for the secret does the same. Used or wrong ones say so. With scripts and without.
func TestSignInByACode(t *testing.T) {
	beside(t)
	w := locked(t, nil)
	c := client.New(w.set.Server.Socket)
	defer c.Close()
	invite := func(role string) client.Invitation {
		v, err := c.Invite(t.Context(), client.InviteRequest{Role: role, URL: w.url})
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, scripts := range []bool{true, false} {
		b := open(t, w.url, usualPhone)
		b.scripts(scripts)
		v := invite("operate")
		b.visit(strings.TrimPrefix(v.URL, w.url))
		b.sees("clip machine", "heat it, move it and stop it")
		b.shot("invited")
		if scripts {
			b.lawful()
		}
		b.press("Sign in")
		b.sees("Where the parts are", "Begin a lot")
		b.press("Sign out")
		b.find("Sign in", "heading")
		b.visit(strings.TrimPrefix(v.URL, w.url))
		b.sees("This code has been used")
		b.shot("used")
		if scripts {
			b.lawful()
		}

		b.visit("/lots")
		b.fill("Code", "AAAA-AAAA")
		b.press("Sign in")
		b.sees("This code is wrong")
		b.shot("wrong")
		if scripts {
			b.lawful()
		}
		b.fill("Code", strings.ToLower(strings.ReplaceAll(invite("look").Code, "-", " ")))
		b.press("Sign in")
		b.find("Lots", "heading")
		b.visit("/")
		if b.has("Begin a lot", presses...) {
			t.Error("who was invited to look is offered to begin a lot")
		}
		b.press("Sign out")
		b.find("Sign in", "heading")
	}
}
