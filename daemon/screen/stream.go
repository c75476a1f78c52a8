package screen

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"
)

// Bounds of the live streams.
const (
	renderEvery = time.Second      // between two looks at the run, while somebody looks
	beatEvery   = 5 * time.Second  // between two signs of life on a quiet stream
	writeWithin = 10 * time.Second // a browser that does not take its bytes by then is gone
	mostStreams = 100              // of those who operate, and of those who look
)

// fragments are the sections of the screen at one moment.
type fragments struct {
	html map[string]string
}

// hub makes the sections once for all open screens, while there are any. A stream takes
// what has changed since it last looked: nothing is queued for one that is slow.
type hub struct {
	render func(context.Context) (*fragments, error)

	mu      sync.Mutex
	streams map[bool]int // by whether they are of those who operate
	stop    context.CancelFunc
	turn    uint64            // of the newest change
	html    map[string]string // by section
	changed map[string]uint64 // the turn in which a section last changed
	wake    chan struct{}     // closed at the next change
}

func newHub(render func(context.Context) (*fragments, error)) *hub {
	return &hub{render: render, streams: map[bool]int{}, wake: make(chan struct{})}
}

// join begins the work for the first stream; false means that there are too many of its kind.
func (h *hub) join(operates bool) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.streams[operates] == mostStreams {
		return false
	}
	h.streams[operates]++
	if h.streams[true]+h.streams[false] == 1 {
		ctx, cancel := context.WithCancel(context.Background())
		h.stop = cancel
		h.html, h.changed = nil, nil // what was shown long ago must not flash up
		go h.work(ctx)
	}
	return true
}

// leave ends the work after the last stream.
func (h *hub) leave(operates bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.streams[operates]--; h.streams[true]+h.streams[false] == 0 {
		h.stop()
	}
}

func (h *hub) work(ctx context.Context) {
	tick := time.NewTicker(renderEvery)
	defer tick.Stop()
	for {
		if f, err := h.render(ctx); err == nil { // else the old picture stays, which shows its age
			h.publish(f)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (h *hub) publish(f *fragments) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.changed == nil {
		h.html, h.changed = map[string]string{}, map[string]uint64{}
	}
	next := h.turn + 1
	for name, html := range f.html {
		if was, ok := h.html[name]; !ok || was != html {
			h.html[name], h.changed[name] = html, next
			h.turn = next
		}
	}
	if h.turn == next {
		close(h.wake)
		h.wake = make(chan struct{})
	}
}

// since returns the sections that changed after a turn, the newest turn, and what is
// closed at the next change.
func (h *hub) since(turn uint64) (html map[string]string, newest uint64, wake <-chan struct{}) {
	h.mu.Lock()
	defer h.mu.Unlock()
	html = map[string]string{}
	for name, at := range h.changed {
		if at > turn {
			html[name] = h.html[name]
		}
	}
	return html, h.turn, h.wake
}

// stream keeps the page of now live.
func (sc *screen) stream(w http.ResponseWriter, r *http.Request) {
	operates := sc.Operates(r)
	names := sectionNames
	if !operates {
		names = slices.DeleteFunc(slices.Clone(names), func(name string) bool { return name == "act" })
	}
	sc.hub.serve(w, r, operates, names)
}

// serve keeps the named sections of one page live until the browser goes, or takes its bytes no more.
func (h *hub) serve(w http.ResponseWriter, r *http.Request, operates bool, names []string) {
	if !h.join(operates) {
		http.Error(w, "too many screens are open", http.StatusServiceUnavailable)
		return
	}
	defer h.leave(operates)
	out := http.NewResponseController(w)
	_ = out.SetReadDeadline(time.Time{}) // nothing more is read; not possible without a connection, as in a test
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy must not gather what is meant for now
	send := func(text string) bool {
		_ = out.SetWriteDeadline(time.Now().Add(writeWithin))
		_, err := w.Write([]byte(text))
		return err == nil && out.Flush() == nil
	}
	if !send("retry: 2000\n" + event("hello", assetVersion)) {
		return
	}
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	var turn uint64
	for {
		html, newest, wake := h.since(turn)
		turn = newest
		var text strings.Builder
		for _, name := range names {
			if section, ok := html[name]; ok {
				text.WriteString(event(name, section))
			}
		}
		if text.Len() > 0 && !send(text.String()) {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-wake:
		case <-beat.C:
			if !send(event("beat", "")) {
				return
			}
		}
	}
}

// event is one message of a stream; a line feed in its data begins a line of data.
func event(name, data string) string {
	return fmt.Sprintf("event: %s\ndata: %s\n\n", name, strings.ReplaceAll(strings.ReplaceAll(data, "\r", ""), "\n", "\ndata: "))
}
