package browser

import (
	"fmt"
	"net/url"
	"strings"
	"sync"

	"github.com/chromedp/cdproto/audits"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
)

// watch remembers what a page asked for and what the browser complained of.
type watch struct {
	mu       sync.Mutex
	base     string
	wrong    []string
	refused  map[string]bool // addresses of documents that were refused, as a form with a mistake is
	bytes    map[network.RequestID]int64
	address  map[network.RequestID]string
	dialogs  []string
	away     bool // the daemon is meant to be gone
	requests []string
}

func newWatch(base string) *watch {
	return &watch{base: base, refused: map[string]bool{}, bytes: map[network.RequestID]int64{}, address: map[network.RequestID]string{}}
}

// hear takes one event of the browser. It is called in order and must be quick.
func (w *watch) hear(ev any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch e := ev.(type) {
	case *network.EventRequestWillBeSent:
		w.address[e.RequestID] = e.Request.URL
		w.requests = append(w.requests, e.Request.Method+" "+strings.TrimPrefix(e.Request.URL, w.base))
		if !loopback(e.Request.URL) {
			w.wrong = append(w.wrong, "the page asks another computer: "+e.Request.URL)
		}
	case *network.EventResponseReceived:
		if s := e.Response.Status; e.Type == network.ResourceTypeDocument && s >= 400 {
			w.refused[e.Response.URL] = true
			if s >= 500 && !w.away {
				w.wrong = append(w.wrong, fmt.Sprintf("the daemon answers %d for %s", s, e.Response.URL))
			}
		}
	case *network.EventLoadingFinished:
		w.bytes[e.RequestID] = int64(e.EncodedDataLength)
	case *log.EventEntryAdded:
		if w.complaint(e.Entry) {
			w.wrong = append(w.wrong, fmt.Sprintf("the browser complains (%s, %s): %s %s", e.Entry.Source, e.Entry.Level, e.Entry.Text, e.Entry.URL))
		}
	case *runtime.EventExceptionThrown:
		text := e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			text += " " + x.Description
		}
		w.wrong = append(w.wrong, "a script failed: "+text)
	case *runtime.EventConsoleAPICalled:
		if e.Type != "debug" && e.Type != "info" && e.Type != "log" {
			w.wrong = append(w.wrong, fmt.Sprintf("a script wrote to the console as %s", e.Type))
		}
	case *audits.EventIssueAdded:
		if e.Issue.Code == audits.InspectorIssueCodeContentSecurityPolicyIssue {
			d := e.Issue.Details.ContentSecurityPolicyIssueDetails
			w.wrong = append(w.wrong, fmt.Sprintf("the content policy blocked something: %s, %s", d.ViolatedDirective, d.ContentSecurityPolicyViolationType))
		}
	case *page.EventJavascriptDialogOpening:
		w.dialogs = append(w.dialogs, e.Message)
	}
}

// complaint says whether an entry of the browser's log is a fault of ours.
func (w *watch) complaint(e *log.Entry) bool {
	if e.Level != log.EntryLevelError && e.Level != log.EntryLevelWarning {
		return false
	}
	// That a form with a mistake is refused, or a daemon that is gone does not
	// answer, is logged by the browser too.
	if e.Source == log.EntrySourceNetwork && (w.refused[e.URL] || w.away) {
		return false
	}
	return true
}

// problems returns what went wrong so far, each once.
func (w *watch) problems() (list []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	seen := map[string]bool{}
	for _, p := range w.wrong {
		if !seen[p] {
			seen[p] = true
			list = append(list, p)
		}
	}
	return list
}

// asked counts the requests of a method and path so far.
func (w *watch) asked(request string) (n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, r := range w.requests {
		if r == request {
			n++
		}
	}
	return n
}

func loopback(address string) bool {
	u, err := url.Parse(address)
	if err != nil {
		return false
	}
	switch u.Scheme {
	case "data", "blob", "about":
		return true
	}
	return u.Hostname() == "127.0.0.1"
}

// forget drops what went wrong so far, where a test wanted it to.
func (w *watch) forget() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.wrong = nil
}

// gone says that the daemon is meant to be away, or is back.
func (w *watch) gone(away bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.away = away
}

// weight is how many bytes came over the wire so far, streams not counted.
func (w *watch) weight() (bytes int64, parts []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for id, n := range w.bytes {
		bytes += n
		parts = append(parts, fmt.Sprintf("%s %d", strings.TrimPrefix(w.address[id], w.base), n))
	}
	return bytes, parts
}
