package browser

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(closing{m}) }

// closing ends the shared browser before goroutines are counted.
type closing struct{ m *testing.M }

func (c closing) Run() int {
	code := c.m.Run()
	if err := endBrowser(); err != nil {
		fmt.Fprintln(os.Stderr, "cannot end the browser:", err)
		code = max(code, 1)
	}
	return code
}

// beside has a test run beside the others: each waits most of the time, for its machine or for the proof that the heaters
// are off. In short form a lot by clicking is the only use of the pages.
func beside(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("played by make check")
	}
	t.Parallel()
}

// withoutRace skips a test of what pages look like and hold under the race detector: requests, streams and the machine
// run side by side in the others. The check plays all tests without it, too.
func withoutRace(t *testing.T) {
	t.Helper()
	if underRace {
		t.Skip("played without the race detector: .ci/plain")
	}
}

// shared is the one browser of this package; starting it takes two seconds.
var shared struct {
	once sync.Once
	ctx  context.Context
	free func()
	dir  string
	err  error
}

// browser returns the context of the shared browser, or skips the test.
func browser(t *testing.T) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		t.Skip("there is no Chromium on this computer (Debian: chromium)")
	}
	shared.once.Do(func() { shared.err = startBrowser(path) })
	if shared.err != nil {
		t.Fatal(shared.err)
	}
	return shared.ctx
}

func startBrowser(path string) (err error) {
	if shared.dir, err = os.MkdirTemp("", "bw-browser-"); err != nil {
		return err
	}
	o := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.UserDataDir(filepath.Join(shared.dir, "profile")),
		chromedp.NoSandbox, // it runs as root here and there, and shows our own pages alone
		chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("hide-scrollbars", false),
		// Whatever it might want to ask of the world, it cannot find it.
		chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"),
	)
	allocator, freeAllocator := chromedp.NewExecAllocator(context.Background(), o...)
	ctx, cancel := chromedp.NewContext(allocator)
	shared.ctx, shared.free = ctx, func() { cancel(); freeAllocator() }
	// No bound on this context: it would end the browser with the first test.
	if err := chromedp.Do(ctx); err != nil {
		return fmt.Errorf("cannot start %s: %w", path, err)
	}
	return nil
}

func endBrowser() error {
	if shared.free == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(shared.ctx, longest)
	defer cancel()
	err := chromedp.Cancel(ctx)
	shared.free()
	if rerr := os.RemoveAll(shared.dir); err == nil {
		err = rerr
	}
	return err
}
