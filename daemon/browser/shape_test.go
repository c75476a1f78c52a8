package browser

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"beltwarden/config"
	"beltwarden/supervisor"
)

// heldWithHistory is a workshop whose machine waits for a visit, with readings and
// lengths behind it, so that every picture has something to show.
func heldWithHistory(t *testing.T) *workshop {
	t.Helper()
	w := newWorkshop(t, 0, func(c *config.Settings) { c.Hold.EveryParts = 2 })
	w.order("plant-stake clips", 40)
	w.reach(supervisor.Held)
	for i, mm := range []float64{0.1, 0.3, 0.7, 0.8, 1.1, 1.4} {
		w.visited(mm, 2, 38.0+0.03*float64(i), 37.9+0.05*float64(i%3))
		w.do(supervisor.Request{Command: supervisor.Unhold, By: "Ada"})
		w.heldAgain(2 * (i + 2))
	}
	return w
}

// heldAgain waits for the hold after so many parts.
func (w *workshop) heldAgain(parts int) {
	w.t.Helper()
	var s *supervisor.Snapshot
	if !within(longest, func() bool {
		s = w.app.Snapshot()
		return s.State == supervisor.Held && s.Lot.Made >= parts
	}) {
		w.t.Fatalf("the machine is %s after %d parts, want a hold after %d", s.State, s.Lot.Made, parts)
	}
}

// The first look needs no scrolling: when, why and how many stand on the first
// screen of a telephone, of a desk and of a wall.
func TestFirstScreenAnswers(t *testing.T) {
	withoutRace(t)
	beside(t)
	w := heldWithHistory(t)
	for _, s := range []screen{phone, desk, wall} {
		b := open(t, w.url, s)
		b.visit("/")
		b.lawful()
		b.shot(fmt.Sprint(s.wide))
		high := ask[map[string]float64](b, `Object.fromEntries(['next', 'count'].map((id) => [id, document.getElementById(id).getBoundingClientRect().top]))`)
		if high["next"] > 200 || s == wall && high["count"] > float64(s.high) {
			t.Errorf("on a screen of %d px the next visit begins at %.0f px, the count at %.0f px", s.wide, high["next"], high["count"])
		}
		if high["next"] > high["count"] {
			t.Errorf("on a screen of %d px the count stands above the next visit", s.wide)
		}
	}
}

// Pictures and states are distinguished without colour: they are kept for eyes, as
// people with each form of colour blindness see them.
func TestWithoutColours(t *testing.T) {
	withoutRace(t)
	beside(t)
	w := heldWithHistory(t)
	b := open(t, w.url, desk)
	for _, scheme := range []string{"light", "dark"} {
		b.media(scheme)
		b.visit("/")
		for _, kind := range []emulation.SetEmulatedVisionDeficiencyType{emulation.SetEmulatedVisionDeficiencyTypeProtanopia, emulation.SetEmulatedVisionDeficiencyTypeDeuteranopia,
			emulation.SetEmulatedVisionDeficiencyTypeTritanopia, emulation.SetEmulatedVisionDeficiencyTypeAchromatopsia} {
			call(b, emulation.SetEmulatedVisionDeficiency, emulation.SetEmulatedVisionDeficiencyParams{Type: kind})
			b.shot(fmt.Sprintf("%s-%s", scheme, strings.ToLower(string(kind))))
		}
		call(b, emulation.SetEmulatedVisionDeficiency, emulation.SetEmulatedVisionDeficiencyParams{Type: emulation.SetEmulatedVisionDeficiencyTypeNone})
	}
	// Where the system forbids our colours altogether, the words are there still.
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "forced-colors", Value: "active"}}})
	b.shot("forced-colours")
	b.sees("Held", "good", "scrap")
}

// On paper there is nothing to press, and everything to read.
func TestPrinted(t *testing.T) {
	withoutRace(t)
	beside(t)
	w := heldWithHistory(t)
	b := open(t, w.url, desk)
	for _, path := range []string{"/", "/lots/1"} {
		b.visit(path)
		b.media("print")
		name := "now"
		if path != "/" {
			name = "lot"
		}
		b.shot(name)
		for _, what := range ask[[]string](b, `[...document.querySelectorAll('button,input,nav')].filter((e) => e.checkVisibility()).map((e) => e.outerHTML.slice(0, 80))`) {
			t.Errorf("%s: on paper there is %s", path, what)
		}
		ctx, cancel := b.bounded()
		r, err := chromedp.Call(ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: 8.27, PaperHeight: 11.69})
		cancel()
		if err != nil {
			t.Fatal(err)
		}
		keep(t, name+".pdf", r.Data)
		b.media("light")
	}
}

// The first page is light: style, script and picture together.
func TestFirstPageIsLight(t *testing.T) {
	withoutRace(t)
	beside(t)
	w := heldWithHistory(t)
	b := open(t, w.url, phone)
	b.visit("/")
	within(longest, func() bool { return b.watch.asked("GET /stream") > 0 })
	bytes, parts := b.watch.weight()
	slices.Sort(parts)
	t.Logf("%d bytes: %s", bytes, strings.Join(parts, ", "))
	if bytes < 1000 || bytes > 100_000 {
		t.Errorf("the first page takes %d bytes, want at most 100000", bytes)
	}
	took := ask[map[string]float64](b, `(() => { const n = performance.getEntriesByType('navigation')[0];
		return { answer: n.responseEnd - n.requestStart, ready: n.domContentLoadedEventEnd, loaded: n.loadEventEnd } })()`)
	t.Logf("ms on loopback: answer %.0f, ready %.0f, loaded %.0f", took["answer"], took["ready"], took["loaded"])
}
