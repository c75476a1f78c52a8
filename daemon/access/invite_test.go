package access

import (
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// cookieOf returns the session that an answer begins; "" for none.
func cookieOf(res *http.Response) string {
	for _, c := range res.Cookies() {
		if c.Value != "" {
			return c.Name + "=" + c.Value
		}
	}
	return ""
}

func (h *house) invited(role Role) Invitation {
	h.t.Helper()
	v, err := h.g.Invite(role)
	if err != nil {
		h.t.Fatal(err)
	}
	return v
}

// TestAnInvitationSignsInOnce: opening its address changes nothing, however often; its button signs one browser in with the
// role that was invited, and then it is used up, by its code too. Nothing of it is left to read.
func TestAnInvitationSignsInOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		named := both()
		named.Machine = func() string { return "clip <press>" }
		h := newHouse(t, named)
		v := h.invited(Look)
		if v.Until != time.Now().Add(inviteFor) || len(v.Token) != 20 || len(v.Code) != 9 || strings.ContainsAny(v.Code, "0O1IL5S8BUZ") {
			t.Errorf("%+v", v)
		}
		for range 3 {
			res := h.visit("GET", InvitePath+v.Token, "", browser)
			page := bodyOf(res)
			if res.StatusCode != 200 || cookieOf(res) != "" || !strings.Contains(page, "clip &lt;press&gt;") || !strings.Contains(page, "change nothing") {
				t.Fatalf("%d %v %s", res.StatusCode, res.Cookies(), page)
			}
			if got := res.Header; got.Get("Cache-Control") != "no-store" || got.Get("Referrer-Policy") != "no-referrer" || strings.Contains(page, v.Token) {
				t.Errorf("the token can get out: %v %s", got, page)
			}
		}
		if res := h.visit("POST", InvitePath+v.Token, "", form, browser, "Origin: https://evil.example"); res.StatusCode != 403 || cookieOf(res) != "" {
			t.Errorf("another site's page signs in: %d", res.StatusCode)
		}
		if res := h.visit("PUT", InvitePath+v.Token, "", browser); res.StatusCode != 405 {
			t.Errorf("PUT: %d", res.StatusCode)
		}
		res := h.visit("POST", InvitePath+v.Token, "", form, browser)
		cookie := cookieOf(res)
		if res.StatusCode != 303 || res.Header.Get("Location") != "/" || cookie == "" {
			t.Fatalf("%d %v", res.StatusCode, res.Header)
		}
		if text := bodyOf(h.visit("GET", "/", "", browser, "Cookie: "+cookie)); text != "in as look" {
			t.Errorf("signed in as: %s", text)
		}
		if res := h.visit("POST", "/visit", "", browser, "Cookie: "+cookie); res.StatusCode != 403 {
			t.Errorf("one who was invited to look acts: %d", res.StatusCode)
		}
		for _, method := range []string{"GET", "POST"} {
			if res := h.visit(method, InvitePath+v.Token, "", form, browser); res.StatusCode != 410 || cookieOf(res) != "" || !strings.Contains(bodyOf(res), "has been used") {
				t.Errorf("%s again: %d", method, res.StatusCode)
			}
		}
		if res := h.visit("POST", "/login", url.Values{"code": {v.Code}}.Encode(), form, browser); res.StatusCode != 410 || cookieOf(res) != "" {
			t.Errorf("its code, after its address: %d", res.StatusCode)
		}
		for _, o := range h.g.invitations.list {
			if strings.Contains(string(o.token[:]), v.Token) || string(o.code[:]) == v.Code {
				t.Error("it is kept as it is")
			}
		}
	})
}

// TestACodeIsTyped in small letters, with blanks or without its hyphen, beside an empty secret.
func TestACodeIsTyped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, both())
		for _, alter := range []func(string) string{strings.ToLower, func(s string) string { return strings.ReplaceAll(s, "-", "") },
			func(s string) string { return " " + strings.ReplaceAll(s, "-", "  ") + " " }} {
			v := h.invited(Operate)
			res := h.visit("POST", "/login", url.Values{"code": {alter(v.Code)}, "secret": {""}, "next": {"/visit"}}.Encode(), form, browser)
			if res.StatusCode != 303 || res.Header.Get("Location") != "/visit" {
				t.Fatalf("%q: %d %s", alter(v.Code), res.StatusCode, bodyOf(res))
			}
			if text := bodyOf(h.visit("POST", "/visit", "", browser, "Cookie: "+cookieOf(res))); text != "in as operate" {
				t.Errorf("signed in as: %s", text)
			}
			if res := h.visit("GET", InvitePath+v.Token, "", browser); res.StatusCode != 410 {
				t.Errorf("its address, after its code: %d", res.StatusCode)
			}
		}
		v := h.invited(Operate)
		if res := h.visit("POST", InvitePath+v.Code, "", form, browser); res.StatusCode != 403 || cookieOf(res) != "" {
			t.Errorf("a code as an address: %d", res.StatusCode)
		}
		if res := h.visit("POST", "/login", url.Values{"code": {v.Token}}.Encode(), form, browser); res.StatusCode != 401 || cookieOf(res) != "" {
			t.Errorf("a token as a code: %d", res.StatusCode)
		}
		if res := h.visit("POST", "/visit", "", "Authorization: Bearer "+v.Token); res.StatusCode != 401 {
			t.Errorf("a token as a secret: %d", res.StatusCode)
		}
	})
}

// TestAnInvitationEnds after ten minutes, and says so for an hour.
func TestAnInvitationEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, both())
		v := h.invited(Operate)
		time.Sleep(inviteFor - time.Second)
		if res := h.visit("GET", InvitePath+v.Token, "", browser); res.StatusCode != 200 {
			t.Errorf("within its time: %d", res.StatusCode)
		}
		time.Sleep(time.Second)
		for _, method := range []string{"GET", "POST"} {
			if res := h.visit(method, InvitePath+v.Token, "", form, browser); res.StatusCode != 410 || cookieOf(res) != "" || !strings.Contains(bodyOf(res), "expired") {
				t.Errorf("%s after it: %d", method, res.StatusCode)
			}
		}
		if res := h.visit("POST", "/login", url.Values{"code": {v.Code}}.Encode(), form, browser); res.StatusCode != 410 || cookieOf(res) != "" {
			t.Errorf("its code after it: %d", res.StatusCode)
		}
		time.Sleep(2 * rememberUsed)
		h.invited(Look)
		if n := len(h.g.invitations.list); n != 1 {
			t.Errorf("%d are kept", n)
		}
		// Of many the newest are good, and no more are kept than that.
		var all []Invitation
		for range 3 * maxRemembered {
			all = append(all, h.invited(Look))
		}
		if n := len(h.g.invitations.list); n > maxRemembered+1 {
			t.Errorf("%d are kept", n)
		}
		open := 0
		for _, v := range all {
			if _, err := h.g.invitations.find(v.Token, false, false, time.Now()); err == nil {
				open++
			}
		}
		if open != maxInvitations {
			t.Errorf("%d are open", open)
		}
	})
}

// TestGuessedCodes are counted and refused as wrong secrets are, from one address and from many; then no typed code is taken
// any more, and the address that a telephone reads still is.
func TestGuessedCodes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, both())
		v := h.invited(Operate)
		guess := func(from, code string) *http.Response {
			return h.visit("POST", "/login", url.Values{"code": {code}}.Encode(), form, browser, "From: "+from+":40000")
		}
		blocked := false
		for range maxFailures + 2 {
			blocked = guess("192.0.2.7", "AAAA-AAAA").StatusCode == 429
		}
		if !blocked || guess("192.0.2.7", v.Code).StatusCode != 429 {
			t.Error("one address goes on guessing")
		}
		if h.g.Refused()["wrong_secret"] < maxFailures {
			t.Errorf("counted %v", h.g.Refused())
		}
		if res := h.visit("GET", InvitePath+"GUESSED", "", browser, "From: 192.0.2.7:40000"); res.StatusCode != 429 {
			t.Errorf("by addresses it goes on: %d", res.StatusCode)
		}
		for i := range maxWrongCodes {
			guess(netip.AddrFrom4([4]byte{198, 51, 100, byte(i)}).String(), "CCCC-CCCC")
		}
		if res := guess("203.0.113.5", v.Code); res.StatusCode != 401 || cookieOf(res) != "" {
			t.Errorf("after %d guesses the code is still taken: %d", maxWrongCodes, res.StatusCode)
		}
		if res := h.visit("POST", InvitePath+v.Token, "", form, browser, "From: 203.0.113.6:40000"); res.StatusCode != 303 {
			t.Errorf("and its address is not: %d", res.StatusCode)
		}
	})
}

// TestOneOfManyIsSignedIn: two telephones that press the button at one time do not both come in.
func TestOneOfManyIsSignedIn(t *testing.T) {
	h := newHouse(t, both())
	v := h.invited(Operate)
	var wg sync.WaitGroup
	var mu sync.Mutex
	in := 0
	for range 20 {
		wg.Go(func() {
			if _, err := h.g.invitations.find(v.Token, false, true, time.Now()); err == nil {
				mu.Lock()
				in++
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if in != 1 {
		t.Errorf("%d were signed in", in)
	}
}

// TestNobodyIsInvitedWhereNobodySignsIn: without secrets there is nothing to sign in to.
func TestNobodyIsInvitedWhereNobodySignsIn(t *testing.T) {
	h := newHouse(t, Options{})
	if v, err := h.g.Invite(Operate); err == nil {
		t.Errorf("%+v", v)
	}
}
