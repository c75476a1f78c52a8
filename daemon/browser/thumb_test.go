package browser

import (
	"slices"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"beltwarden/config"
	"beltwarden/supervisor"
)

// Sizes of telephones, CSS pixels: a usual one, and about the smallest in use.
var (
	usualPhone = screen{390, 844}
	smallPhone = screen{360, 640}
)

// reached is the foot of a telephone's page, in CSS pixels of what is seen. A box is left, top, right, bottom.
type reached struct {
	Main, Abort []float64 // nil: it is not there
	MainName    string
	Bar         float64   // top of the bar; the height of the screen where there is none
	Glance      []string  // what of the first look does not stand on the first screen
	Covered     []string  // what the bar lies upon when it has the focus
	End         []float64 // bottom of what stands last, when the page is at its end
}

// foot measures the page it runs in, without moving what the test looks at afterwards.
const foot = `(() => {
	const box = (e) => { if (!e) return null; const r = e.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; };
	const words = (e) => (e.innerText || e.value || '').replace(/\s+/g, ' ').trim().slice(0, 60);
	const go = (y) => scrollTo({ top: y, behavior: 'instant' });
	go(0);
	const bar = document.querySelector('.thumb'), main = document.querySelector('.thumb-main a, .thumb-main button');
	const out = { Main: box(main), Abort: box(document.querySelector('#act-abort')), MainName: main ? words(main) : '', Bar: bar ? bar.getBoundingClientRect().top : innerHeight };
	out.Glance = [...document.querySelectorAll('.headline,.glance>div')].filter((e) => e.getBoundingClientRect().bottom > out.Bar && !/^State/.test(words(e))).map(words);
	out.Covered = [...document.querySelectorAll('main a[href],main button,main summary,main input,main select')].filter((e) => {
		if (bar?.contains(e) || !e.checkVisibility()) return false;
		e.focus();
		const r = e.getBoundingClientRect(), top = bar ? bar.getBoundingClientRect().top : innerHeight;
		return r.bottom > top + 1 && r.top < innerHeight;
	}).map(words);
	document.activeElement?.blur();
	go(document.documentElement.scrollHeight);
	out.End = [...document.querySelectorAll('footer p')].map((e) => e.getBoundingClientRect().bottom);
	go(0);
	return out; })()`

// On a telephone the main action and Abort are within reach of a thumb whatever the machine does, large, apart, and upon
// nothing that one would read or press. The first screen answers: come, when, why, with what, how many, how hot.
func TestThumbReach(t *testing.T) {
	withoutRace(t)
	beside(t)
	w := newWorkshop(t, 100, func(c *config.Settings) { c.Hold.EveryParts = 2 })
	b := open(t, w.url, usualPhone)
	want := map[string]string{"nothing-begun": "Begin a lot", "making-parts": "Record a visit", "held-for-a-visit": "Record a visit", "belt-far-out": "Record a visit",
		"failed-in-a-part": "Record a visit"}
	for _, m := range moments {
		m.bring(w)
		for _, s := range []screen{usualPhone, smallPhone} {
			b.resize(s)
			b.visit("/")
			b.shot(m.name)
			got := b.thumb(m.name)
			if got.MainName != want[m.name] {
				t.Errorf("%s: the main action is %q, want %q", m.name, got.MainName, want[m.name])
			}
			if may := slices.Contains(w.app.Snapshot().Accepts, "abort"); may != (got.Abort != nil) {
				t.Errorf("%s: the machine can abort: %v, and the page offers it: %v", m.name, may, got.Abort)
			}
		}
	}
}

// thumb holds the page of now, at the size of a telephone, to what a thumb and a first look need.
func (b *tab) thumb(name string) reached {
	b.t.Helper()
	got, s := ask[reached](b, foot), b.size
	third := float64(s.high) * 2 / 3
	for what, r := range map[string][]float64{"main action": got.Main, "Abort": got.Abort} {
		if r == nil {
			continue
		}
		if r[1] < third || r[3] > float64(s.high) || r[0] < 0 || r[2] > float64(s.wide) {
			b.t.Errorf("%s at %dx%d: the %s stands at %.0f, not within the lower third", name, s.wide, s.high, what, r)
		}
		if r[2]-r[0] < 48 || r[3]-r[1] < 48 {
			b.t.Errorf("%s at %dx%d: the %s is %.0f by %.0f px, want 48", name, s.wide, s.high, what, r[2]-r[0], r[3]-r[1])
		}
	}
	if got.Main != nil && got.Abort != nil && got.Abort[0]-got.Main[2] < 24 {
		b.t.Errorf("%s at %dx%d: Abort at %.0f is beside the main action at %.0f", name, s.wide, s.high, got.Abort, got.Main)
	}
	if len(got.Glance) > 0 {
		b.t.Errorf("%s at %dx%d: the first screen does not hold %q", name, s.wide, s.high, got.Glance)
	}
	if len(got.Covered) > 0 {
		b.t.Errorf("%s at %dx%d: under the bar when they have the focus: %q", name, s.wide, s.high, got.Covered)
	}
	if len(got.End) == 0 || slices.Max(got.End) > got.Bar {
		b.t.Errorf("%s at %dx%d: the page ends at %.0f, the bar begins at %.0f", name, s.wide, s.high, got.End, got.Bar)
	}
	return got
}

// What the state asks for is what the thumb finds.
func TestMainActionOfTheState(t *testing.T) {
	beside(t)
	w := heldOnce(t)
	b := open(t, w.url, smallPhone)
	main := func(name string) {
		t.Helper()
		got := ""
		if !within(longest, func() bool {
			got = ask[string](b, `document.querySelector('.thumb-main')?.textContent.trim() || ''`)
			return got == name
		}) {
			t.Fatalf("the main action is %q, want %q", got, name)
		}
	}
	b.visit("/")
	main("Record a visit")
	b.press("Abort")
	w.reach(supervisor.Aborted)
	main("Record a visit") // parts are not looked at
	w.visited(0.2, 2)
	w.do(supervisor.Request{By: "Ada", Visit: &supervisor.Visit{BeltCleared: true, Sure: true}})
	main("Clear the fault")
	b.press("Clear the fault")
	b.press("Clear the fault")
	w.reach(supervisor.Stopped)
	main("Reset: make ready")
	b.press("Reset: make ready")
	b.press("Reset: make ready")
	w.reach(supervisor.Idle)
	main("Start the lot")
	b.press("Start the lot")
	b.press("Start the lot")
	w.heldAgain(4)
}

// taps count what a finger does: taps, and keys of the keypad.
type taps struct {
	*tab
	fingers, keypad int
}

func (p *taps) on(name string, roles ...string) {
	p.t.Helper()
	p.click(p.find(name, roles...), 1)
	p.fingers++
}

func (p *taps) types(keys string) {
	p.t.Helper()
	p.keys(keys)
	p.keypad += len(keys)
}

// A usual visit, an offset read and all parts good, takes few taps from the page of now to the machine that goes on: seven at
// most without scripts too.
func TestUsualVisitTakesFewTaps(t *testing.T) {
	beside(t)
	for _, c := range []struct {
		scripts bool
		most    int
	}{{true, 4}, {false, 5}} {
		w := heldOnce(t)
		b := open(t, w.url, usualPhone)
		b.scripts(c.scripts)
		b.visit("/")
		p := &taps{tab: b}
		p.on("Record a visit", presses...)
		b.find("Record a visit", "heading")
		p.on("Left", ticks...)
		if !c.scripts { // else the keypad is open already
			p.on("How far", boxes...)
		}
		p.types("0.4")
		p.on("All 2 parts", ticks...)
		b.shot("filled")
		p.on("Record and unhold", presses...)
		b.sees("the machine goes on", "2 of 12 good")
		if p.fingers > c.most || p.fingers >= 8 {
			t.Errorf("with scripts %v the visit took %d taps and %d keys, want at most %d taps", c.scripts, p.fingers, p.keypad, c.most)
		}
		t.Logf("scripts %v: %d taps and %d keys", c.scripts, p.fingers, p.keypad)
		if got := w.checks(); len(got) != 1 || got[0].Good != 2 || got[0].OffsetMM == nil || *got[0].OffsetMM != -0.4 {
			t.Errorf("recorded %+v", got)
		}
	}
}

// Fields are large enough not to make a telephone zoom into them, what is pressed to record stands in reach and covers no
// field, counts go up and down by buttons, and Enter, which a keypad has too, moves nothing.
func TestVisitOnATelephone(t *testing.T) {
	beside(t)
	w := heldOnce(t)
	b := open(t, w.url, smallPhone)
	b.visit("/visit")
	for _, group := range []string{"Under the head", "Scrap", "Lengths", "Spool", "Bin", "Seam and surface", "Your name and a note"} {
		b.unfold(group)
	}
	b.lawful()
	b.shot("unfolded")
	for _, small := range ask[[]string](b, `[...document.querySelectorAll('input:not([type=hidden],[type=checkbox],[type=radio]),select')].filter((e) => parseFloat(getComputedStyle(e).fontSize) < 16).map((e) => e.id)`) {
		t.Errorf("the telephone zooms into %s", small)
	}
	covered := ask[[]string](b, `[...document.querySelectorAll('main input:not([type=hidden]),main select,main summary')].filter((e) => { e.focus();
		return e.getBoundingClientRect().bottom > document.querySelector('.foot').getBoundingClientRect().top + 1 }).map((e) => e.id || e.textContent)`)
	if len(covered) > 0 {
		t.Errorf("under the buttons when they have the focus: %q", covered)
	}
	b.visit("/visit")
	// At the very end of the page its footer stands below the buttons; everywhere else they stand at the bottom.
	tops := ask[map[string]float64](b, `(scrollTo(0, 0), Object.fromEntries([...document.querySelectorAll('.foot button')].map((e) => [e.textContent, e.getBoundingClientRect().top])))`)
	if len(tops) != 2 {
		t.Errorf("buttons at the bottom: %v", tops)
	}
	for name, top := range tops {
		if top < float64(smallPhone.high)*2/3 {
			t.Errorf("%s stands at %.0f", name, top)
		}
	}
	for range 3 {
		b.click(b.find("One more: Good parts", "button"), 1)
	}
	b.click(b.find("One less: Good parts", "button"), 1)
	if got := b.value("Good parts"); got != "2" {
		t.Errorf("three more and one less are %q", got)
	}
	b.fill("How far", "0")
	b.enter()
	b.sees("The visit is recorded", "2 of 12 good")
	if s := w.app.Snapshot(); s.State != supervisor.Held {
		t.Errorf("Enter has made the machine %s", s.State)
	}
}

// What was entered is there again when the page was thrown away meanwhile, and is not sent where there is no network.
func TestFormOutlivesThePage(t *testing.T) {
	beside(t)
	w := heldOnce(t)
	b := open(t, w.url, usualPhone)
	b.visit("/visit")
	b.tick("Left")
	b.fill("How far", "0,4")
	b.tick("All 2 parts")
	b.unfold("Your name and a note")
	b.fill("Note", "belt dusty")
	b.do(chromedp.Reload())
	if got := b.value("How far"); got != "0,4" {
		t.Errorf("how far holds %q", got)
	}
	if got := b.value("Note"); got != "belt dusty" { // unfolded by itself
		t.Errorf("the note holds %q", got)
	}
	call(b, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: true})
	b.press("Record only")
	b.sees("No network: nothing was sent")
	b.shot("no-network")
	call(b, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: false, Latency: 0, DownloadThroughput: -1, UploadThroughput: -1})
	b.press("Record only")
	b.sees("The visit is recorded")
	if got := w.checks(); len(got) != 1 || got[0].Good != 2 || *got[0].OffsetMM != -0.4 || got[0].Note != "belt dusty" {
		t.Errorf("recorded %+v", got)
	}
	b.visit("/visit")
	if got := b.value("How far"); got != "" {
		t.Errorf("the next visit begins with %q", got)
	}
}
