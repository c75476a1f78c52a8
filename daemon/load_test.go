package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// screens is how many open pages the daemon is to bear.
const screens = 50

// Fifty open screens cost the daemon little. The machine is in another process, and
// so are the readers, so that what is measured is the daemon's own. The figure is for
// people to read: 5 % of a processor is what they may cost.
func TestLoadOfStreams(t *testing.T) {
	if os.Getenv("BELTWARDEN_BENCH") == "" {
		t.Skip("it measures for half a minute: make bench")
	}
	for _, c := range []struct {
		name  string
		speed float64
	}{
		{"machine at its own pace", 1},
		{"machine 60 times as fast, as in the demo", 60},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorkshop(t, "", "")
			s := rig.DefaultSettings()
			s.Belt.Axis, s.Speed = 'Y', c.speed
			w.simulate(t, s)
			d := w.serve(t, "beltwarden")
			d.reach(t, supervisor.Idle)
			d.beginClips(t, 500)
			d.reach(t, supervisor.Starting, supervisor.Execute)
			if c.speed > 1 {
				d.reach(t, supervisor.Execute)
			}
			const watched = 8 * time.Second
			alone := d.percent(t, watched)
			var r readers
			r.open(t, w.socket, screens)
			time.Sleep(time.Second) // all have the first page's worth
			events, bytes := r.events.Load(), r.bytes.Load()
			with := d.percent(t, watched)
			events, bytes = r.events.Load()-events, r.bytes.Load()-bytes
			r.close()
			t.Logf("%s: the daemon takes %.1f %% of a processor alone, %.1f %% with %d open screens: %.1f %% more, for %.1f events and %.0f bytes a second each",
				c.name, alone, with, screens, with-alone, float64(events)/screens/watched.Seconds(), float64(bytes)/screens/watched.Seconds())
			if events < screens {
				t.Errorf("%d screens saw %d events in %v: nothing was tried", screens, events, watched)
			}
			d.stop(t)
		})
	}
}

// percent is how much of one processor the daemon takes over a while.
func (d *serving) percent(t *testing.T, over time.Duration) float64 {
	t.Helper()
	before, begun := d.processor(t), time.Now()
	time.Sleep(over)
	return 100 * (d.processor(t) - before).Seconds() / time.Since(begun).Seconds()
}

// processor is the processor time of the daemon so far, from proc_pid_stat(5);
// a tick is a hundredth of a second on every Linux.
func (d *serving) processor(t *testing.T) time.Duration {
	t.Helper()
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", d.cmd.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(data), ") ")
	f := strings.Fields(rest)
	var ticks int64
	for _, s := range f[11:13] { // utime, stime
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}

// readers are open screens that read what comes.
type readers struct {
	events, bytes atomic.Int64
	cancel        context.CancelFunc
	all           sync.WaitGroup
	http          *http.Client
}

func (r *readers) open(t *testing.T, socket string, n int) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	r.cancel = cancel
	r.http = &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", socket)
	}}}
	for range n {
		q, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://daemon/stream", nil)
		if err != nil {
			t.Fatal(err)
		}
		q.Header.Set("Accept", "text/event-stream")
		resp, err := r.http.Do(q)
		if err != nil {
			t.Fatal(err)
		}
		if got := resp.Header.Get("Content-Type"); resp.StatusCode != http.StatusOK || !strings.HasPrefix(got, "text/event-stream") {
			t.Fatalf("the stream answers %s, %s", resp.Status, got)
		}
		r.all.Go(func() {
			defer resp.Body.Close()
			in := bufio.NewReader(resp.Body)
			for {
				line, err := in.ReadSlice('\n')
				r.bytes.Add(int64(len(line)))
				if strings.HasPrefix(string(line), "event:") {
					r.events.Add(1)
				}
				if err == io.EOF || err != nil && err != bufio.ErrBufferFull {
					return
				}
			}
		})
	}
}

func (r *readers) close() {
	r.cancel()
	r.all.Wait()
	r.http.CloseIdleConnections()
}
