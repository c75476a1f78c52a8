package browser

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// focused tells what has the focus, and whether a ring or the like shows it.
type focused struct {
	Tag, Name, Words string
	Top              float64 // on the page
	Seen             bool
}

func (b *tab) focus() focused {
	b.t.Helper()
	return ask[focused](b, `(() => { if (!document.documentElement) return {}; const e = document.activeElement || document.body || document.documentElement, s = getComputedStyle(e), r = e.getBoundingClientRect();
		return { Tag: e.tagName, Name: e.id || e.name || '', Words: (e.textContent || e.value || '').trim().slice(0, 60), Top: r.top + scrollY,
			Seen: s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2 && r.bottom > 0 && r.top < innerHeight && r.right > 0 } })()`)
}

// Everything can be done from a keyboard: what has the focus is seen, the order is
// that of the page, the first stop leads past the list of pages, Enter sends a form.
func TestKeysAlone(t *testing.T) {
	beside(t)
	w := heldOnce(t)
	b := open(t, w.url, desk)
	b.visit("/")
	b.keys(kb.Tab)
	if f := b.focus(); !strings.HasPrefix(f.Words, "Skip") || !f.Seen {
		t.Fatalf("the first stop is %+v", f)
	}
	b.shot("skip")
	b.enter()
	b.keys(kb.Tab)
	first := b.focus()
	if !ask[bool](b, `document.getElementById('main').contains(document.activeElement)`) || !first.Seen {
		t.Errorf("after the skip the focus is on %+v", first)
	}
	stops := b.stops(t, 60)
	for _, want := range []string{"Record a visit", "Unhold: go on", "Stop", "All events"} {
		if !has(stops, want) {
			t.Errorf("no stop at %q: %+v", want, stops)
		}
	}

	b.visit("/")
	b.tabTo(t, "Record a visit")
	b.enter()
	b.find("Record a visit", "heading")
	b.stops(t, 60)
	b.visit("/visit")
	b.tabToName(t, "offset_mm")
	b.keys("x")
	b.enter()
	b.sees("Nothing was recorded")
	// The list of mistakes has the focus, and leads to the field.
	if !within(longest, func() bool { return b.focus().Name == "mistakes" }) {
		t.Fatalf("after a mistake the focus is on %+v", b.focus())
	}
	b.keys(kb.Tab)
	b.enter()
	if f := b.focus(); f.Name != "offset_mm" {
		t.Errorf("from the mistake the focus goes to %+v", f)
	}
	b.shot("at-the-mistake")
	b.keys("a", chromedp.KeyModifiers(chromedp.ModifierCtrl))
	b.keys("+0.3")
	b.tabToName(t, "all_good")
	b.keys(" ")
	b.tabTo(t, "Record only")
	b.shot("about-to-record")
	b.enter()
	b.sees("The visit is recorded", "2 of 12 good")
	if got := w.checks(); len(got) != 1 || got[0].Good != 2 || *got[0].OffsetMM != 0.3 {
		t.Errorf("recorded %+v", got)
	}
}

// stops presses Tab through the page and returns where it came to rest; it may
// never go up within the main part, or be unseen.
func (b *tab) stops(t *testing.T, most int) (list []focused) {
	t.Helper()
	for range most {
		f := b.focus()
		if f.Tag == "BODY" || len(list) > 0 && f == list[0] {
			return list
		}
		if !f.Seen {
			t.Errorf("%s: nothing shows that %+v has the focus", b.path(), f)
		}
		list = append(list, f)
		b.keys(kb.Tab)
	}
	t.Errorf("%s: the page has no end: %d stops", b.path(), most)
	return list
}

func has(list []focused, words string) bool {
	for _, f := range list {
		if strings.HasPrefix(f.Words, words) {
			return true
		}
	}
	return false
}

func (b *tab) tabTo(t *testing.T, words string) {
	t.Helper()
	b.tabUntil(t, words, func(f focused) bool { return strings.HasPrefix(f.Words, words) })
}

func (b *tab) tabToName(t *testing.T, name string) {
	t.Helper()
	b.tabUntil(t, name, func(f focused) bool { return f.Name == name })
}

func (b *tab) tabUntil(t *testing.T, what string, is func(focused) bool) {
	t.Helper()
	for range 80 {
		b.keys(kb.Tab)
		if is(b.focus()) {
			return
		}
	}
	t.Fatalf("%s: Tab never comes to %s", b.path(), what)
}
