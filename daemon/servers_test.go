package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// tool finds a program that .ci/needs installs, or skips the test.
func tool(t *testing.T, name string) string {
	t.Helper()
	if path, err := exec.LookPath(name); err == nil {
		return path
	}
	path, err := filepath.Abs("../build/tools/" + name)
	if err == nil {
		if _, err = os.Stat(path); err == nil {
			return path
		}
	}
	t.Skipf("there is no %s on this computer (Debian: the package of that name)", name)
	return ""
}

var addresses atomic.Int32

// freeAddress returns a loopback address that nobody else takes: its first part, of all that begin with 127, is
// this process's own, so that no other test and no connection outward is given the port meanwhile.
func freeAddress() string {
	pid := os.Getpid() // 22 bits at most, see proc_sys_kernel(5)
	return fmt.Sprintf("127.%d.%d.%d:%d", pid>>14&0xff, pid>>6&0xff, pid<<2&0xff|2, 17000+addresses.Add(1))
}

// rewrite copies a file with words replaced, each of which must be there.
func rewrite(t *testing.T, from, to string, pairs ...string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("%s does not say %q any more", from, pairs[i])
		}
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	if err := os.WriteFile(to, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// background runs a server for the test's life: it returns when the server is ready, and
// expects it to end in order.
func background(t *testing.T, program, address string, args ...string) {
	t.Helper()
	log, err := os.Create(filepath.Join(t.TempDir(), "log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := withParent(exec.Command(program, args...))
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var result error
	ended := make(chan struct{})
	go func() { result = cmd.Wait(); close(ended) }()
	t.Cleanup(func() {
		defer log.Close()
		hung := time.AfterFunc(patience, func() { _ = cmd.Process.Kill() })
		_ = cmd.Process.Signal(syscall.SIGTERM)
		<-ended
		hung.Stop()
		if result != nil {
			t.Errorf("%s ended with %v", filepath.Base(program), result)
		}
		if t.Failed() {
			said, _ := os.ReadFile(log.Name())
			t.Logf("%s said\n%s", filepath.Base(program), said[max(0, len(said)-4000):])
		}
	})
	eventually(t, filepath.Base(program)+" is ready", func() bool {
		select {
		case <-ended:
			t.Fatalf("%s has ended by itself", filepath.Base(program))
		default:
		}
		resp, err := http.Get("http://" + address + "/-/ready")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
}

// receiver is what Alertmanager calls.
type receiver struct {
	*httptest.Server
	mu    sync.Mutex
	calls []call
}

// call is one alert as it came.
type call struct {
	Status              string
	Labels, Annotations map[string]string
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		var body struct{ Alerts []call }
		if err := json.NewDecoder(q.Body).Decode(&body); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		r.calls = append(r.calls, body.Alerts...)
	}))
	t.Cleanup(r.Close)
	return r
}

// wait returns the first call of this status about the alert, for this reason.
func (r *receiver) wait(t *testing.T, status, name, reason string) (found call) {
	t.Helper()
	eventually(t, fmt.Sprintf("the receiver learns that %s is %s", name, status), func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		i := slices.IndexFunc(r.calls, func(c call) bool {
			return c.Status == status && c.Labels["alertname"] == name && c.Labels["reason"] == reason
		})
		if i >= 0 {
			found = r.calls[i]
		}
		return i >= 0
	})
	return found
}

func (r *receiver) names() (names []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.calls {
		names = append(names, c.Labels["alertname"])
	}
	return names
}

func get(t *testing.T, address string) []byte {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return body
}
