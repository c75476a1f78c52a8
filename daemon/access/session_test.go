package access

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// login sends the form, and returns the answer and the cookie it sets.
func (h *house) login(secret, next string, lines ...string) (*http.Response, string) {
	h.t.Helper()
	body := url.Values{"secret": {secret}, "next": {next}}.Encode()
	res := h.visit("POST", "/login", body, append([]string{form, browser}, lines...)...)
	for _, c := range res.Cookies() {
		if c.Value != "" {
			return res, c.Name + "=" + c.Value
		}
	}
	return res, ""
}

// TestASession goes from the page that asks to the end of the session.
func TestASession(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, both())
		res := h.visit("GET", "/visit?part=3", "", browser)
		if to := res.Header.Get("Location"); res.StatusCode != 303 || to != "/login?next="+url.QueryEscape("/visit?part=3") {
			t.Fatalf("%d to %q", res.StatusCode, to)
		}
		page := bodyOf(h.visit("GET", "/login?next=%2Fvisit%3Fpart%3D3", "", browser))
		if !strings.Contains(page, `value="/visit?part=3"`) || !strings.Contains(page, `type="password"`) {
			t.Errorf("the page: %s", page)
		}
		res, cookie := h.login("wrong", "/visit?part=3")
		if text := bodyOf(res); res.StatusCode != 401 || cookie != "" || !strings.Contains(text, "The secret is wrong") || !strings.Contains(text, `value="/visit?part=3"`) {
			t.Errorf("wrong: %d %q %s", res.StatusCode, cookie, text)
		}
		if res, cookie := h.login("", "/"); res.StatusCode != 422 || cookie != "" {
			t.Errorf("empty: %d %q", res.StatusCode, cookie)
		}
		res, cookie = h.login(" "+operates+"\n", "/visit?part=3") // as it is copied from a file
		if res.StatusCode != 303 || res.Header.Get("Location") != "/visit?part=3" {
			t.Fatalf("right: %d to %q", res.StatusCode, res.Header.Get("Location"))
		}
		if c := res.Cookies()[0]; !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" {
			t.Errorf("cookie %+v", c)
		}
		if text := bodyOf(h.visit("POST", "/visit", "", browser, "Cookie: "+cookie)); text != "in as operate" {
			t.Errorf("with the session: %s", text)
		}
		if h.g.Sessions() != 1 {
			t.Errorf("%d sessions", h.g.Sessions())
		}
		if res := h.visit("GET", "/logout", "", browser, "Cookie: "+cookie); res.StatusCode != 405 {
			t.Errorf("a link signs out: %d", res.StatusCode)
		}
		if res := h.visit("POST", "/logout", "", browser, "Cookie: "+cookie, "Origin: https://evil.example"); res.StatusCode != 403 {
			t.Errorf("another site signs out: %d", res.StatusCode)
		}
		h.visit("POST", "/logout", "", browser, "Cookie: "+cookie)
		if res := h.visit("GET", "/", "", browser, "Cookie: "+cookie); res.StatusCode != 303 || h.g.Sessions() != 0 {
			t.Errorf("after its end the session lets in: %d", res.StatusCode)
		}
		h.noSecret()
	})
}

// TestTheLooker sees and does not act, also in a browser.
func TestTheLooker(t *testing.T) {
	h := newHouse(t, both())
	_, cookie := h.login(looks, "/")
	if text := bodyOf(h.visit("GET", "/", "", browser, "Cookie: "+cookie)); text != "in as look" {
		t.Errorf("%s", text)
	}
	res := h.visit("POST", "/visit", "", browser, "Cookie: "+cookie)
	if text := bodyOf(res); res.StatusCode != 403 || !strings.Contains(text, "You have view-only access.") {
		t.Errorf("%d %s", res.StatusCode, text)
	}
	if page := bodyOf(h.visit("GET", "/login", "", browser, "Cookie: "+cookie)); !strings.Contains(page, "Who is there?") {
		t.Error("a looker cannot log in anew as an operator")
	}
}

// TestSessionsEnd: a stream that a session has open ends with it, and so does the
// session when it is not used, or too old.
func TestSessionsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, err := New(both())
		if err != nil {
			t.Fatal(err)
		}
		defer g.Close()
		began := make(chan context.Context, 1)
		handler := g.Handler(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			began <- r.Context()
			<-r.Context().Done()
		}))
		stream := func(id string) context.Context {
			r := httptest.NewRequest("GET", "/stream", nil)
			r.Host = "127.0.0.1:7353"
			r.AddCookie(&http.Cookie{Name: "beltwarden-7353", Value: id})
			go handler.ServeHTTP(httptest.NewRecorder(), r)
			return <-began
		}
		id := g.sessions.begin(Look)
		ctx := stream(id)
		time.Sleep(29 * 24 * time.Hour) // a screen on the wall is in use all the time
		if ctx.Err() != nil {
			t.Error("an open stream was cut off")
		}
		time.Sleep(2 * 24 * time.Hour)
		if synctest.Wait(); ctx.Err() == nil {
			t.Error("a stream outlives its session")
		}
		id = g.sessions.begin(Operate)
		ctx = stream(id)
		g.sessions.end(id)
		if synctest.Wait(); ctx.Err() == nil {
			t.Error("a stream outlives the logout")
		}
		id = g.sessions.begin(Look)
		time.Sleep(sessionIdle + time.Second)
		if s, release := g.sessions.use(id); s != nil {
			release()
			t.Error("a session that was not used for a day lets in")
		}
	})
}

// TestSessionsAreBounded: the one unused for longest makes room, among those of its role.
func TestSessionsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSessions()
		defer s.close()
		operator := s.begin(Operate)
		first := s.begin(Look)
		time.Sleep(time.Second)
		second := s.begin(Look)
		for range maxSessions {
			if v, release := s.use(second); v == nil {
				t.Fatal("a session in use was given up")
			} else {
				release()
			}
			time.Sleep(time.Second)
			s.begin(Look)
		}
		if v, _ := s.use(first); v != nil || len(s.byKey) != maxSessions+1 {
			t.Errorf("%d sessions, the oldest is there: %v", len(s.byKey), v != nil)
		}
		if v, _ := s.use(operator); v == nil {
			t.Error("lookers have signed out an operator")
		}
	})
}

// TestWhereALoginLeads: nowhere but to us.
func TestWhereALoginLeads(t *testing.T) {
	h := newHouse(t, both())
	for next, want := range map[string]string{
		"/lots/3#parts": "/lots/3#parts", "/visit?x=1&y=2": "/visit?x=1&y=2", "": "/", "lots": "/",
		"https://evil.example/": "/", "//evil.example": "/", "/\\evil.example": "/", "/%2F/evil.example": "/", "/%5Cevil.example": "/",
		"javascript:alert(1)": "/", "/a\r\nSet-Cookie: x=y": "/", "/login": "/", "/logout": "/", "/\tx": "/", "/" + strings.Repeat("x", 3000): "/",
	} {
		res, _ := h.login(operates, next)
		if got := res.Header.Get("Location"); got != want || len(res.Header.Values("Set-Cookie")) != 1 {
			t.Errorf("%q leads to %q, want %q; %v", next, got, want, res.Header)
		}
	}
	if page := bodyOf(h.visit("GET", "/login?next="+url.QueryEscape(`/"><script>alert(1)</script>`), "", browser)); strings.Contains(page, "<script") {
		t.Error("the page carries what was written into its address")
	}
}

// TestCookiesOverTLS: the session does not leave encryption, and is not another's.
func TestCookiesOverTLS(t *testing.T) {
	o := both()
	o.Public = &url.URL{Scheme: "https", Host: "belt.workshop.example"}
	h := newHouse(t, o)
	res, cookie := h.login(operates, "/", "Host: belt.workshop.example", "Origin: https://belt.workshop.example")
	if c := res.Cookies()[0]; !c.Secure || !strings.HasPrefix(cookie, "__Host-beltwarden=") {
		t.Errorf("%q, %+v", cookie, c)
	}
	if res, cookie := h.login(operates, "/", "Host: belt.workshop.example", "Origin: http://belt.workshop.example"); res.StatusCode != 403 || cookie != "" {
		t.Errorf("a login without encryption: %d, %q", res.StatusCode, cookie)
	}
	_, a := newHouse(t, both()).login(operates, "/", "Host: 127.0.0.1:7353")
	_, b := newHouse(t, both()).login(operates, "/", "Host: 127.0.0.1:7354")
	if strings.Split(a, "=")[0] == strings.Split(b, "=")[0] {
		t.Error("two machines of one computer share a cookie")
	}
}

// TestBruteForce guesses for a day: answers come ever later, then not at all, everybody
// else works on, and the operator is called once.
func TestBruteForce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var bursts []Burst
		o := both()
		o.OnBurst = func(b Burst) { bursts = append(bursts, b) }
		h := newHouse(t, o)
		_, cookie := h.login(operates, "/", "From: 192.0.2.9:1")
		heard := 0
		start := time.Now()
		for n := 0; time.Since(start) < 24*time.Hour; n++ {
			var res *http.Response
			if n%10 == 0 { // a page costs more
				res, _ = h.login(fmt.Sprint("guess-", n), "/")
			} else {
				res = h.visit("GET", "/api/v1/status", "", fmt.Sprint("Authorization: Bearer guess-", n))
			}
			switch res.StatusCode {
			case 401:
				heard++
			case 429:
				if res.Header.Get("Retry-After") == "" {
					t.Fatal("it is not said when to try again")
				}
			default:
				t.Fatalf("a guess was answered %d", res.StatusCode)
			}
			time.Sleep(time.Second)
			if n == 100 {
				if text := bodyOf(h.visit("GET", "/", "", asOperator, "From: 192.0.2.8:1")); text != "in as operate" {
					t.Errorf("a neighbour of the guesser: %s", text)
				}
				if text := bodyOf(h.visit("GET", "/", "", "Cookie: "+cookie)); text != "in as operate" {
					t.Errorf("a browser that is signed in, at the guesser's own address: %s", text)
				}
				if res := h.visit("GET", "/", "", asOperator); res.StatusCode != 429 {
					t.Errorf("a right guess by the guesser lets in: %d", res.StatusCode)
				}
			}
		}
		// One a minute is forgiven.
		if heard > 24*60+maxFailures+1 {
			t.Errorf("%d guesses were heard in a day", heard)
		}
		if len(bursts) != 1 || bursts[0].From != netip.MustParseAddr("192.0.2.7") || bursts[0].Failures != maxFailures {
			t.Errorf("the operator was called: %v", bursts)
		}
		time.Sleep(time.Hour)
		for range maxFailures + 1 {
			h.login("again", "/")
		}
		if len(bursts) != 2 {
			t.Errorf("after an hour of quiet it is reported %d times", len(bursts))
		}
		if c := h.g.Refused(); c["wrong_secret"] == 0 || c["too_many"] == 0 {
			t.Errorf("counted %v", c)
		}
		h.noSecret()
	})
}

// TestManyGuessers from many addresses hold up neither memory nor the daemon.
func TestManyGuessers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, both())
		for n := range maxAddresses/2 + 200 { // two addresses each
			h.g.throttle.failed(netip.AddrFrom4([4]byte{198, 51, byte(n >> 8), byte(n)}))
			h.g.throttle.failed(netip.AddrFrom16([16]byte{0: 0x20, 1: 1, 6: byte(n >> 8), 7: byte(n), 15: 1}))
		}
		if n := len(h.g.throttle.addresses); n > maxAddresses {
			t.Errorf("%d addresses are remembered", n)
		}
		time.Sleep(time.Minute) // those of all together are forgiven
		// A network whose addresses one person has at will is one guesser in the end.
		at := func(n int) netip.Addr { return netip.AddrFrom16([16]byte{0: 0x20, 1: 2, 15: byte(n)}) }
		for n := range maxNetworkFailures {
			if up, _ := h.g.throttle.allowed(at(n)); up != Operate {
				t.Errorf("address %d of a network is turned away", n)
			}
			h.g.throttle.failed(at(n))
		}
		if up, wait := h.g.throttle.allowed(at(0xff)); up != None || wait == 0 {
			t.Error("a network with addresses at will is not turned away as one")
		}
	})
}

// TestGuessersTogether send one secret each from ever new addresses, a thousand a second:
// hardly any is heard, whoever is known works on, and the operator is called once.
func TestGuessersTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var bursts []Burst
		o := both()
		o.OnBurst = func(b Burst) { bursts = append(bursts, b) }
		h := newHouse(t, o)
		const friend, newcomer = "From: 192.0.2.8:1", "From: 192.0.2.9:1"
		h.visit("GET", "/", "", asLooker, friend)
		_, cookie := h.login(operates, "/", "From: 192.0.2.10:1")
		const guesses = 10_000
		heard := 0
		for n := range guesses {
			res := h.visit("GET", "/api/v1/status", "", fmt.Sprint("Authorization: Bearer guess-", n), fmt.Sprintf("From: 198.%d.%d.%d:1", n>>16, n>>8&0xff, n&0xff))
			if res.StatusCode == 401 {
				heard++
			}
			time.Sleep(time.Millisecond)
		}
		if most := maxTotalFailures + int(guesses*time.Millisecond/forgiveTotalEvery) + 1; heard > most {
			t.Errorf("%d guesses of %d were heard, want %d at most", heard, guesses, most)
		}
		if text := bodyOf(h.visit("GET", "/", "", asLooker, friend)); text != "in as look" {
			t.Errorf("an address that is known: %s", text)
		}
		if text := bodyOf(h.visit("GET", "/", "", "Cookie: "+cookie, newcomer)); text != "in as operate" {
			t.Errorf("a browser that is signed in, from elsewhere: %s", text)
		}
		if res := h.visit("GET", "/", "", asLooker, newcomer); res.StatusCode != 429 || res.Header.Get("Retry-After") != "1" {
			t.Errorf("a newcomer at the height of it: %d", res.StatusCode)
		}
		time.Sleep(time.Second)
		if text := bodyOf(h.visit("GET", "/", "", asLooker, newcomer)); text != "in as look" {
			t.Errorf("a newcomer a second later: %s", text)
		}
		if len(bursts) != 1 || bursts[0].From.IsValid() || bursts[0].Failures != maxTotalFailures {
			t.Errorf("the operator was called: %v", bursts)
		}
		for n := range 2 * maxProven {
			h.g.throttle.succeeded(netip.AddrFrom4([4]byte{203, 0, byte(n >> 8), byte(n)}), Look)
		}
		if n := len(h.g.throttle.proven[Look]); n != maxProven || len(h.g.throttle.proven[Operate]) != 1 {
			t.Errorf("%d addresses of lookers are known, %d of operators", n, len(h.g.throttle.proven[Operate]))
		}
	})
}

// TestNobodyIsLockedOut: wrong secrets from the same address, or from others of the same
// network, keep out nobody who has just given the right one, and let nobody guess a higher
// one.
func TestNobodyIsLockedOut(t *testing.T) {
	const guess = "Authorization: Bearer guess"
	for _, c := range []struct{ name, mine, theirs string }{
		{"the same address", "From: 192.0.2.7:1", "From: 192.0.2.7:2"},
		{"the same IPv6 address", "From: [2001:db8::7]:1", "From: [2001:db8::7]:2"},
		{"the same IPv6 network", "From: [2001:db8::7]:1", "From: [2001:db8::8]:2"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newHouse(t, both())
				h.visit("GET", "/", "", asLooker, c.mine)
				h.visit("GET", "/", "", asOperator, "From: 192.0.2.99:1")
				for range 2 * maxNetworkFailures {
					h.visit("GET", "/", "", guess, c.theirs)
				}
				for range 100 {
					if text := bodyOf(h.visit("GET", "/metrics", "", asLooker, c.mine)); text != "in as look" {
						t.Fatalf("who has just given the right secret: %s", text)
					}
				}
				if _, cookie := h.login(looks, "/", c.mine); cookie == "" {
					t.Error("and cannot log in")
				}
				if strings.HasSuffix(c.mine, "7]:1") && strings.Contains(c.theirs, "::8") {
					if text := bodyOf(h.visit("GET", "/", "", asOperator, "From: [2001:db8::9]:1")); text != "in as operate" {
						t.Errorf("ten wrong secrets of one address close its whole network: %s", text)
					}
					return
				}
				if res := h.visit("GET", "/", "", asOperator, c.mine); res.StatusCode != 429 {
					t.Errorf("proof of looking has secrets of operating heard: %d", res.StatusCode)
				}
				time.Sleep(provenFor)
				for range 2 * maxFailures {
					h.visit("GET", "/", "", guess, c.theirs)
				}
				if res := h.visit("GET", "/", "", asLooker, c.mine); res.StatusCode != 429 {
					t.Errorf("a proof of long ago: %d", res.StatusCode)
				}
			})
		})
	}
}

// TestForeignNamesAreNoWayToGuess: a secret that is sent under a name that is not ours
// counts like every other.
func TestForeignNamesAreNoWayToGuess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, both())
		answers := map[int]int{}
		for n := range 1000 {
			answers[h.visit("GET", "/api/v1/status", "", fmt.Sprint("Authorization: Bearer guess-", n), "Host: evil.example").StatusCode]++
		}
		if answers[401] > maxFailures+5 || answers[401]+answers[429] != 1000 || h.g.Refused()["wrong_secret"] != uint64(answers[401]) {
			t.Errorf("%v, counted %v", answers, h.g.Refused())
		}
		if res := h.visit("GET", "/", "", asOperator, "Host: evil.example"); res.StatusCode != 429 {
			t.Errorf("a right guess: %d", res.StatusCode)
		}
	})
}

// TestWhoIsRemembered: of many who have proved a secret those are remembered who did it last.
func TestWhoIsRemembered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		th := newThrottle()
		from := func(n int) netip.Addr { return netip.AddrFrom4([4]byte{198, 51, byte(n >> 8), byte(n)}) }
		for n := range maxProven {
			th.succeeded(from(n), Operate)
			time.Sleep(time.Second)
		}
		th.succeeded(from(0), Operate) // again
		time.Sleep(time.Second)
		th.succeeded(from(maxProven), Operate)
		th.total.count, th.total.at = maxTotalFailures, time.Now() // strangers are not heard
		for n, want := range map[int]Role{0: Operate, 1: None, 2: Operate, maxProven: Operate, maxProven + 1: None} {
			if up, _ := th.allowed(from(n)); up != want {
				t.Errorf("the proof of address %d counts for %v, want %v", n, up, want)
			}
		}
	})
}

// TestAnswersHeldBackAreBounded: however many guess at one time, so many answers wait, and the
// others are given at once, and teach nothing.
func TestAnswersHeldBackAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, both())
		var going sync.WaitGroup
		var mu sync.Mutex
		statuses := map[int]int{}
		began := time.Now()
		var atOnce int
		for n := range 60 {
			from := fmt.Sprintf("From: 198.51.100.%d:1", n+1)
			for range freeFailures {
				h.visit("GET", "/", "", from, "Authorization: Bearer guess")
			}
			going.Go(func() {
				res := h.visit("GET", "/", "", from, "Authorization: Bearer "+"guess")
				mu.Lock()
				defer mu.Unlock()
				if statuses[res.StatusCode]++; time.Since(began) == 0 {
					atOnce++
				}
			})
			synctest.Wait()
		}
		going.Wait()
		if atOnce != 60-maxWaiting || statuses[429] != 60-maxWaiting || statuses[401] != maxWaiting {
			t.Errorf("%d answered at once; %v", atOnce, statuses)
		}
		if len(h.g.throttle.addresses) == 0 || h.g.throttle.waiting != 0 {
			t.Errorf("%d still wait", h.g.throttle.waiting)
		}
	})
}

// TestCookiesOfOthers: what another program of the same host, or of one beside it, sets under
// the name of our cookie logs nobody out and lifts nobody up, in whichever order it comes.
func TestCookiesOfOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, both())
		_, mine := h.login(operates, "/", "From: 192.0.2.9:1")
		_, theirs := h.login(looks, "/", "From: 192.0.2.8:1")
		name, _, _ := strings.Cut(mine, "=")
		for _, line := range []string{mine + "; " + theirs, theirs + "; " + mine, name + "=AAAA; " + mine, mine + "; " + name + "=", strings.Repeat(name+"=x; ", 500) + mine} {
			if text := bodyOf(h.visit("POST", "/visit", "", "Cookie: "+line)); text != "in as operate" {
				t.Errorf("%.80s: %s", line, text)
			}
		}
		if res := h.visit("POST", "/visit", "", "Cookie: "+name+"=AAAA; "+theirs); res.StatusCode != 403 {
			t.Errorf("a looker with another cookie: %d", res.StatusCode)
		}
		h.visit("POST", "/logout", "", "Cookie: "+name+"=AAAA; "+mine)
		if res := h.visit("POST", "/visit", "", "Cookie: "+mine); res.StatusCode != 401 {
			t.Errorf("signed out beside another cookie: %d", res.StatusCode)
		}
		for _, s := range h.g.sessions.byKey {
			if s.open != 0 {
				t.Errorf("%d requests of a session never ended", s.open)
			}
		}
	})
}
