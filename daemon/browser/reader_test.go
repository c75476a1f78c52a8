package browser

import (
	"fmt"
	"io"
	"net"
	"runtime"
	"strings"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// What a machine at work takes however browsers behave. Whoever waits for a browser that does not read waits until it is
// given up, ten seconds (writeWithin of daemon/screen); nothing else takes nearly as long, on a slow and busy computer too.
const (
	longestAnswer   = 9 * time.Second
	oldestPicture   = 9 * time.Second
	unreadPages     = 20
	vanishedReaders = 20
)

// Browsers that stop reading, or are gone without a word, delay nothing: requests
// are answered and pictures published as before. They are dropped, and leave
// nothing behind.
func TestBrowsersThatDoNotRead(t *testing.T) {
	if testing.Short() {
		t.Skip("it counts goroutines, and takes a minute alone")
	}
	w := newWorkshop(t, 60)
	c := client.New(w.set.Server.Socket)
	defer c.Close()
	w.reach(supervisor.Idle)
	if _, err := c.OpenLot(t.Context(), client.LotRequest{Jobs: []string{job(t, "stake-clip.gcode")}, Good: []int{500}, Start: true}); err != nil {
		t.Fatal(err)
	}
	w.reach(supervisor.Execute)
	c.Close()
	w.busy(time.Second) // what is made once is made
	before := goroutines(t, func(int) bool { return true })
	quiet := w.busy(3 * time.Second)

	var unread []net.Conn
	for range unreadPages {
		unread = append(unread, w.listen())
	}
	for range vanishedReaders {
		conn := w.listen()
		if _, err := conn.Read(make([]byte, 512)); err != nil {
			t.Fatal(err)
		}
		conn.Close()
	}
	begun := time.Now()
	burdened := w.busy(5 * time.Second)
	goroutines(t, func(n int) bool { return n <= before+4*unreadPages }) // the vanished are forgotten at once
	dropped := 0
	for _, conn := range unread {
		if w.gaveUp(conn, begun.Add(longest)) {
			dropped++
		}
		conn.Close()
	}
	t.Logf("%d of %d that did not read were dropped within %v; slowest answer %v and oldest picture %v, without them %v and %v",
		dropped, unreadPages, time.Since(begun).Round(time.Second), burdened.answer, burdened.picture, quiet.answer, quiet.picture)
	if dropped != unreadPages {
		t.Errorf("%d of %d browsers that did not read were dropped within %v", dropped, unreadPages, longest)
	}
	after := goroutines(t, func(n int) bool { return n <= before })
	if after > before {
		t.Errorf("%d goroutines, %d before", after, before)
	}
	if parts := len(w.rig.Parts()); parts == 0 {
		t.Error("the machine has made nothing: nothing was tried")
	}
}

// listen asks for the stream over the local socket and leaves the answer unread.
func (w *workshop) listen() net.Conn {
	w.t.Helper()
	conn, err := net.Dial("unix", w.set.Server.Socket)
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() { conn.Close() })
	if _, err := io.WriteString(conn, "GET /stream HTTP/1.1\r\nHost: daemon\r\nAccept: text/event-stream\r\n\r\n"); err != nil {
		w.t.Fatal(err)
	}
	return conn
}

// gaveUp waits until the daemon has closed a connection that nobody reads. What
// it had sent before may still be read, and then comes the end.
func (w *workshop) gaveUp(conn net.Conn, until time.Time) bool {
	w.t.Helper()
	// Writing to a connection whose other end is closed fails, and takes nothing in.
	for time.Now().Before(until) {
		if _, err := conn.Write([]byte("\r\n")); err != nil {
			return true
		}
		time.Sleep(100 * time.Millisecond)
	}
	return false
}

// pace is the slowest answer to a request and the oldest picture seen.
type pace struct{ answer, picture time.Duration }

// busy records visits for a while, with notes as long as they may be so that streams have
// much to say, and looks at the pictures.
func (w *workshop) busy(span time.Duration) (p pace) {
	w.t.Helper()
	for end := time.Now().Add(span); time.Now().Before(end); {
		asked := time.Now()
		w.do(supervisor.Request{By: "Ada", Visit: &supervisor.Visit{Note: strings.Repeat("looked in; ", 90)}})
		p.answer = max(p.answer, time.Since(asked))
		for range 20 {
			p.picture = max(p.picture, time.Since(w.app.Snapshot().At))
			time.Sleep(5 * time.Millisecond)
		}
	}
	if p.answer > longestAnswer || p.picture > oldestPicture {
		w.t.Errorf("slowest answer %v, oldest picture %v", p.answer, p.picture)
	}
	return p
}

// goroutines waits a little for their number to be as wanted and returns it.
func goroutines(t *testing.T, is func(int) bool) (n int) {
	t.Helper()
	within(longest, func() bool { n = runtime.NumGoroutine(); return is(n) })
	if !is(n) {
		buf := make([]byte, 1<<20)
		all := strings.Split(string(buf[:runtime.Stack(buf, true)]), "\n\n")
		kinds := map[string]int{}
		for _, g := range all {
			lines := strings.Split(g, "\n")
			kinds[lines[len(lines)-2]]++
		}
		t.Log(fmt.Sprint(kinds))
	}
	return n
}
