package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// machineAt answers as a daemon would that wants a secret, until it is told to hang.
func machineAt(t *testing.T, name, secret string, hang <-chan struct{}) *httptest.Server {
	t.Helper()
	end := make(chan struct{})
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		select {
		case <-hang:
			<-end
		default:
		}
		if got := r.Header.Get("Authorization"); secret != "" && got != "Bearer "+secret {
			client.Refuse(w, http.StatusUnauthorized, "the secret is wrong", "send the right one")
			return
		}
		_ = json.NewEncoder(w).Encode(&supervisor.Snapshot{At: time.Now(), Machine: name, State: supervisor.Idle, Line: supervisor.LineView{Connected: true}})
	}))
	t.Cleanup(func() { close(end); s.Close() })
	return s
}

// quiet is a writer for several goroutines.
type quiet struct {
	mu  sync.Mutex
	out bytes.Buffer
}

func (q *quiet) Write(p []byte) (int, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.out.Write(p)
}

func (q *quiet) String() string {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.out.String()
}

// The wall shows each daemon in its own place, sends each its own secret alone, and one that hangs or refuses holds up
// none of the others.
func TestWallOfSeveral(t *testing.T) {
	hang := make(chan struct{})
	first, second, third := machineAt(t, "clip machine", "", nil), machineAt(t, "peg machine", "pegs-only", nil), machineAt(t, "stake machine", "", hang)
	wrong := machineAt(t, "far machine", "another", nil)
	close(hang)
	secret := filepath.Join(t.TempDir(), "look")
	if err := os.WriteFile(secret, []byte("pegs-only\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var out, log quiet
	root := newRoot()
	root.SetOut(&out)
	root.SetErr(&log)
	root.SetArgs([]string{"wall", "--listen", "127.0.0.1:0", "--daemon", first.URL, "--with", second.URL + ",secret-file=" + secret, "--with", third.URL, "--with", wrong.URL})
	ended := make(chan error, 1)
	go func() { ended <- root.ExecuteContext(ctx) }()
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("it ends with: %v", err)
		}
		t.Log(log.String())
	}()
	address := ""
	eventually(t, "the wall says where it is", func() bool {
		address = regexp.MustCompile(`http://\S+/wall`).FindString(out.String())
		return address != ""
	})
	var page string
	eventually(t, "two machines are there, and one refuses", func() bool {
		page = fetch(t, address)
		return strings.Contains(page, "clip machine") && strings.Contains(page, "peg machine") && strings.Contains(log.String(), "it refuses the secret")
	})
	places := regexp.MustCompile(`(?s)<section.*?</section>`).FindAllString(page, -1)
	if len(places) != 4 {
		t.Fatalf("%d places", len(places))
	}
	for i, want := range []string{"clip machine", "peg machine", strings.TrimPrefix(third.URL, "http://"), strings.TrimPrefix(wrong.URL, "http://")} {
		if !strings.Contains(places[i], want) {
			t.Errorf("place %d has no %q", i+1, want)
		}
		if away := strings.Contains(places[i], " away"); away != (i > 1) {
			t.Errorf("place %d is away: %v", i+1, away)
		}
	}
	if strings.Contains(page, "pegs-only") || strings.Contains(log.String(), "pegs-only") {
		t.Error("a secret is shown")
	}
}

func fetch(t *testing.T, address string) string {
	t.Helper()
	r, err := http.Get(address)
	if err != nil {
		return ""
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Contact is lost after ten seconds without an answer, or when a daemon answers and its machine stands still for a minute.
func TestWallLosesContact(t *testing.T) {
	now := time.Now()
	at := func(heard, fresh time.Duration, why string) string {
		f := &follower{shot: &supervisor.Snapshot{}, heard: now.Add(-heard), fresh: now.Add(-fresh), why: why}
		return f.look().Lost
	}
	for _, c := range []struct {
		heard, fresh time.Duration
		why, want    string
	}{
		{0, 0, "", ""},
		{8 * time.Second, 8 * time.Second, "it does not answer", ""},
		{11 * time.Second, 11 * time.Second, "it does not answer", "it does not answer"},
		{0, 55 * time.Second, "", ""},
		{0, 61 * time.Second, "", "its daemon does not follow the machine"},
	} {
		if got := at(c.heard, c.fresh, c.why); got != c.want {
			t.Errorf("heard %v ago, new %v ago, %q: %q, want %q", c.heard, c.fresh, c.why, got, c.want)
		}
	}
	if got := (&follower{}).look().Lost; got == "" {
		t.Error("one that was never heard of counts as contact")
	}
}

// Each change of contact is a line in the log, and only a change.
func TestWallLogsChanges(t *testing.T) {
	var log quiet
	f := &follower{address: "http://pegs.example", log: &log}
	refused := errors.New("connection reset")
	for _, err := range []error{refused, refused, nil, nil, refused} {
		s := &supervisor.Snapshot{At: time.Now()}
		if err != nil {
			s = nil
		}
		f.take(s, err)
	}
	if lines := strings.Count(log.String(), "\n"); lines != 3 {
		t.Errorf("%d lines:\n%s", lines, log.String())
	}
}

// All mistakes of a command line are named at once, with what to do.
func TestWallMistakes(t *testing.T) {
	good := filepath.Join(t.TempDir(), "look")
	if err := os.WriteFile(good, []byte("two words"), 0o600); err != nil {
		t.Fatal(err)
	}
	many := []string{"--daemon", "http://127.0.0.1:1"}
	for i := range 6 {
		many = append(many, "--with", fmt.Sprintf("http://127.0.0.1:%d", i+2))
	}
	for _, c := range []struct {
		args []string
		want []string
	}{
		{[]string{"--with", "pegs"}, []string{`"pegs" is not an address: begin it with http:// or https://`}},
		{[]string{"--with", "http://"}, []string{`"http:/" names no computer`}},
		{[]string{"--with", "http://a:b@pegs.example"}, []string{"has more than a computer and a port"}},
		{[]string{"--with", "http://pegs.example/wall"}, []string{"has more than a computer and a port"}},
		{[]string{"--with", "http://pegs.example,secret=x,secret-file="}, []string{`"secret=x" is not secret-file=FILE`, "secret-file names no file"}},
		{[]string{"--with", "http://pegs.example,secret-file=/nowhere/x,authority-file=" + good}, []string{"cannot read the secret: open /nowhere/x"}},
		{[]string{"--with", "http://pegs.example,secret-file=" + good}, []string{"more than one word"}},
		{[]string{"--with", "http://pegs.example,authority-file=" + good}, []string{"there is no certificate in it"}},
		{[]string{"--daemon", "http://pegs.example", "--with", "http://pegs.example/"}, []string{"this daemon is on the wall already"}},
		{[]string{"--listen", "0.0.0.0:7354"}, []string{"not a loopback address"}},
		{[]string{"--listen", "7354", "--with", "pegs"}, []string{"not a loopback address", "is not an address"}},
		{many, []string{"7 machines are too many"}},
	} {
		root := newRoot()
		root.SetOut(io.Discard)
		root.SetErr(io.Discard)
		root.SetArgs(append([]string{"wall"}, c.args...))
		err := root.ExecuteContext(t.Context())
		var f *failure
		if !errors.As(err, &f) || f.status != exitUsage {
			t.Errorf("%q: %v", c.args, err)
			continue
		}
		for _, want := range c.want {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%q: %v; want %q", c.args, err, want)
			}
		}
	}
}
