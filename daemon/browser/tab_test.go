package browser

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/audits"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// Sizes of screens, CSS pixels.
var (
	desk  = screen{1280, 900}
	phone = screen{360, 740} // a small one of the common sizes
)

type screen struct{ wide, high int64 }

// tab is a browser of its own (cookies, cache) with one page in it.
type tab struct {
	t     *testing.T
	ctx   context.Context
	base  string // of the daemon, without a slash at its end
	watch *watch
	size  screen
}

// longest bounds one look or deed in a page, and whatever else only a hang makes long: generous, since the
// computer may be slow and busy.
const longest = 5 * time.Minute

// open opens a tab of a size on nothing yet. What it sees go wrong fails the test
// at its end.
func open(t *testing.T, base string, size screen) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser(t), chromedp.WithNewBrowserContext())
	b := &tab{t: t, ctx: ctx, base: base, watch: newWatch(base)}
	t.Cleanup(func() {
		if t.Failed() {
			b.shot("failed")
		}
		cancel()
		for _, p := range b.watch.problems() {
			t.Error(p)
		}
	})
	if err := chromedp.Listen(ctx, b.watch.hear); err != nil {
		t.Fatal(err)
	}
	call(b, network.Enable, network.EnableParams{})
	call(b, audits.Enable, struct{}{})
	// Each tab takes keys and shows its focus, whichever of those beside it is in front.
	call(b, emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true})
	b.resize(size)
	b.media("light")
	return b
}

func (b *tab) resize(s screen) {
	b.t.Helper()
	b.size = s
	o := []chromedp.EmulateViewportOption{}
	if s.wide < 500 {
		o = append(o, chromedp.EmulateMobile, chromedp.EmulateTouch, chromedp.EmulateScale(2))
	}
	b.do(chromedp.EmulateViewport(s.wide, s.high, o...))
}

// media has the page shown in "light" or "dark", or as it is printed.
func (b *tab) media(scheme string) {
	b.t.Helper()
	p := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}
	if scheme == "print" {
		p = emulation.SetEmulatedMediaParams{Media: "print", Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "light"}}}
	}
	call(b, emulation.SetEmulatedMedia, p)
}

// scripts lets the page's own scripts run, or not.
func (b *tab) scripts(run bool) {
	b.t.Helper()
	call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !run})
}

// bounded is the tab's context with a bound.
func (b *tab) bounded() (context.Context, context.CancelFunc) {
	return context.WithTimeout(b.ctx, longest)
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := b.bounded()
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

// ask evaluates an expression in the page. It needs scripts.
func ask[T any](b *tab, expression string) T {
	b.t.Helper()
	ctx, cancel := b.bounded()
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%.80s: %v", expression, err)
	}
	return v
}

// visit goes to a path of the daemon.
func (b *tab) visit(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.base + path))
}

// back goes to the page before, as it was kept or made again.
func (b *tab) back() {
	b.t.Helper()
	h := b.history()
	call(b, page.NavigateToHistoryEntry, page.NavigateToHistoryEntryParams{EntryID: h.Entries[h.CurrentIndex-1].ID})
}

// history is where the tab has been. While one page takes the place of another, which lasts on a busy computer, the
// browser has none to tell of.
func (b *tab) history() (h page.GetNavigationHistoryResult) {
	b.t.Helper()
	var err error
	within(longest, func() bool {
		ctx, cancel := b.bounded()
		defer cancel()
		h, err = chromedp.Call(ctx, page.GetNavigationHistory, struct{}{})
		return err == nil || !strings.Contains(err.Error(), "Not attached to an active page")
	})
	if err != nil {
		b.t.Fatal(err)
	}
	return h
}

// path is where the tab is, with its query.
func (b *tab) path() string {
	b.t.Helper()
	h := b.history()
	return strings.TrimPrefix(h.Entries[h.CurrentIndex].URL, b.base)
}

// shot keeps a picture of the whole page in build/screens, under the test's name, if
// BELTWARDEN_SCREENS asks for them or the test has failed: they take as long as the
// tests. One that cannot be taken is no failure: it is for eyes.
func (b *tab) shot(name string) {
	b.t.Helper()
	if os.Getenv("BELTWARDEN_SCREENS") == "" && !b.t.Failed() {
		return
	}
	var data []byte
	var err error
	for range 3 { // now and then a browser without a window makes no frame
		if data, err = b.picture(); err == nil {
			keep(b.t, name+".png", data)
			return
		}
	}
	b.t.Logf("no picture of %s: %v", name, err)
}

func (b *tab) picture() ([]byte, error) {
	ctx, cancel := context.WithTimeout(b.ctx, 5*time.Second)
	defer cancel()
	if _, err := chromedp.Call(ctx, page.BringToFront, struct{}{}); err != nil {
		return nil, err
	}
	m, err := chromedp.Call(ctx, page.GetLayoutMetrics, struct{}{})
	if err != nil {
		return nil, err
	}
	high := max(m.CSSContentSize.Height, float64(b.size.high))
	p, err := chromedp.Call(ctx, page.CaptureScreenshot, page.CaptureScreenshotParams{CaptureBeyondViewport: new(true), OptimizeForSpeed: new(true),
		Clip: &page.Viewport{Width: max(m.CSSContentSize.Width, float64(b.size.wide)), Height: min(high, 12000), Scale: 1}})
	return p.Data, err
}

// kept counts what each test has kept.
var kept = struct {
	sync.Mutex
	of map[string]int
}{of: map[string]int{}}

// keep puts something to look at into build/screens, numbered in the order of the
// test.
func keep(t *testing.T, name string, data []byte) {
	t.Helper()
	dir := filepath.Join("..", "..", "build", "screens", strings.ReplaceAll(t.Name(), "/", "-"))
	kept.Lock()
	kept.of[t.Name()]++
	n := kept.of[t.Name()]
	kept.Unlock()
	if n == 1 {
		_ = os.RemoveAll(dir) // of the last time
	}
	name = fmt.Sprintf("%02d-%s", n, name)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
		t.Fatal(err)
	}
}
