package screen

import (
	"bufio"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/supervisor"
)

// listener takes a stream's bytes, or stops taking them.
type listener struct {
	header http.Header
	lines  chan string
	stuck  atomic.Bool
	gone   chan struct{} // closed by the write deadline
	until  atomic.Pointer[time.Time]
}

func newListener() *listener {
	return &listener{header: http.Header{}, lines: make(chan string, 10_000), gone: make(chan struct{})}
}

func (l *listener) Header() http.Header { return l.header }
func (l *listener) WriteHeader(int)     {}
func (l *listener) Flush()              {}
func (l *listener) SetWriteDeadline(t time.Time) error {
	l.until.Store(&t)
	return nil
}

func (l *listener) Write(p []byte) (int, error) {
	if l.stuck.Load() {
		time.Sleep(time.Until(*l.until.Load())) // as a connection whose other end takes nothing
		return 0, fmt.Errorf("i/o timeout")
	}
	for line := range strings.SplitSeq(strings.TrimSpace(string(p)), "\n") {
		l.lines <- line
	}
	return len(p), nil
}

// names returns the events that have come since the last call.
func (l *listener) names() (list []string) {
	for {
		select {
		case line := <-l.lines:
			if name, ok := strings.CutPrefix(line, "event: "); ok {
				list = append(list, name)
			}
		default:
			return list
		}
	}
}

// TestStreamSendsWhatChanged: everything at first, then the sections that changed and signs
// of life; one who only looks is sent no buttons.
func TestStreamSendsWhatChanged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := setUp(t)
		b.looks = true
		l := newListener()
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			b.ServeHTTP(l, httptest.NewRequest("GET", "/stream", nil).WithContext(ctx))
		}()
		time.Sleep(1500 * time.Millisecond)
		if got := strings.Join(l.names(), " "); got != "hello next alerts count where belt drift size heat line supply happened" {
			t.Errorf("at first: %s", got)
		}
		time.Sleep(10 * time.Second)
		if got := strings.Join(l.names(), " "); got != "beat beat" {
			t.Errorf("while nothing happens: %s", got)
		}
		next := snapshot(supervisor.Held)
		next.Heat.NozzleC = 150
		b.run.show(next)
		time.Sleep(1100 * time.Millisecond)
		if got := strings.Join(l.names(), " "); got != "next heat" {
			t.Errorf("after the nozzle has cooled: %s", got)
		}
		cancel()
		<-done
		b.ledger.Close()
	})
}

// TestSlowStreamHoldsUpNobody: one who takes nothing is let go after a time, and misses what
// it missed; the others go on.
func TestSlowStreamHoldsUpNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := setUp(t)
		slow, quick := newListener(), newListener()
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan time.Time, 1)
		done := make(chan struct{})
		begun := time.Now()
		go func() {
			b.ServeHTTP(slow, httptest.NewRequest("GET", "/stream", nil).WithContext(ctx))
			ended <- time.Now()
		}()
		go func() {
			defer close(done)
			b.ServeHTTP(quick, httptest.NewRequest("GET", "/stream", nil).WithContext(ctx))
		}()
		time.Sleep(1500 * time.Millisecond)
		slow.stuck.Store(true)
		quick.names()
		for i := range 20 {
			shot := snapshot(supervisor.Held)
			shot.Heat.NozzleC = float64(i)
			b.run.show(shot)
			time.Sleep(time.Second)
			if got := strings.Join(quick.names(), " "); !strings.Contains(got, "heat") {
				t.Errorf("second %d: the quick one is sent %q", i, got)
			}
		}
		if at := <-ended; at.Sub(begun) > 16*time.Second {
			t.Errorf("the slow one was let go after %s", at.Sub(begun))
		}
		cancel()
		<-done
		b.ledger.Close()
	})
}

// TestTooManyStreams are refused, and room comes back when one goes.
func TestTooManyStreams(t *testing.T) {
	h := newHub(func(context.Context) (*fragments, error) { return &fragments{}, nil })
	for range mostStreams {
		if !h.join(false) {
			t.Fatal("refused too early")
		}
	}
	if h.join(false) {
		t.Error("there is no bound")
	}
	if !h.join(true) {
		t.Error("those who look keep out those who operate")
	}
	h.leave(true)
	h.leave(false)
	if !h.join(false) {
		t.Error("room did not come back")
	}
	for range mostStreams {
		h.leave(false)
	}
}

// TestEventsSurviveLineFeeds: what a browser reads of a message is what was put in.
func TestEventsSurviveLineFeeds(t *testing.T) {
	text := event("next", "<p>a</p>\n\n<p>b\r\nc</p>")
	var data []string
	s := bufio.NewScanner(strings.NewReader(text))
	for s.Scan() {
		if line, ok := strings.CutPrefix(s.Text(), "data: "); ok {
			data = append(data, line)
		}
	}
	if got := strings.Join(data, "\n"); got != "<p>a</p>\n\n<p>b\nc</p>" || !strings.HasSuffix(text, "\n\n") {
		t.Errorf("%q", got)
	}
}

// BenchmarkRender is what one second of open screens costs, however many there are.
func BenchmarkRender(b *testing.B) {
	x := setUp(b)
	h := &screen{Options: Options{Run: x.run, Ledger: x.ledger}, pages: parse()}
	for b.Loop() {
		if _, err := h.fragments(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
}
