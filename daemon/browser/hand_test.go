package browser

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// The hand works a page without scripts: it finds things in the accessibility
// tree, moves the mouse to their place and presses keys.

// call sends one command of the browser's protocol to the tab.
func call[P, R any](b *tab, c cdp.Command[P, R], params P) R {
	b.t.Helper()
	ctx, cancel := b.bounded()
	defer cancel()
	r, err := chromedp.Call(ctx, c, params)
	if err != nil {
		b.t.Fatalf("%s: %v", c.Method, err)
	}
	return r
}

// thing is a node of the accessibility tree.
type thing struct {
	role, name, value, about string
	node                     cdp.BackendNodeID
	props                    map[string]string
}

func (x thing) String() string { return fmt.Sprintf("%s %q", x.role, x.name) }

// things returns what assistive technology gets of the page, in its order. It
// returns nothing while the page is being replaced.
func (b *tab) things() (list []thing) {
	b.t.Helper()
	ctx, cancel := b.bounded()
	defer cancel()
	tree, err := chromedp.Call(ctx, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{})
	if err != nil {
		if ctx.Err() != nil {
			b.t.Fatalf("cannot read the page: %v", err)
		}
		return nil
	}
	byID := map[accessibility.NodeID]*accessibility.Node{}
	for _, n := range tree.Nodes {
		byID[n.NodeID] = n
	}
	var walk func(n *accessibility.Node)
	walk = func(n *accessibility.Node) {
		if !n.Ignored {
			x := thing{role: plain(n.Role), name: strings.TrimSpace(plain(n.Name)), value: plain(n.Value), about: plain(n.Description),
				node: n.BackendDOMNodeID, props: map[string]string{}}
			for _, p := range n.Properties {
				x.props[string(p.Name)] = plain(p.Value)
			}
			list = append(list, x)
		}
		for _, id := range n.ChildIDs {
			if c := byID[id]; c != nil {
				walk(c)
			}
		}
	}
	if len(tree.Nodes) > 0 {
		walk(tree.Nodes[0])
	}
	return list
}

func plain(v *accessibility.Value) string {
	if v == nil || len(v.Value) == 0 {
		return ""
	}
	var x any
	if json.Unmarshal(v.Value, &x) != nil || x == nil {
		return ""
	}
	return fmt.Sprint(x)
}

// roles of what is filled in, pressed and so on.
var (
	boxes   = []string{"textbox", "spinbutton", "searchbox", "combobox"} // the last with suggestions, or a list
	presses = []string{"button", "link"}
	ticks   = []string{"checkbox", "radio", "switch"}
)

// find waits for a thing of one of the roles whose name begins with name, whatever
// the case; a name that is exactly so is preferred.
func (b *tab) find(name string, roles ...string) thing {
	b.t.Helper()
	var found thing
	ok := within(longest, func() bool {
		var x bool
		found, x = b.look(name, roles...)
		return x
	})
	if !ok {
		b.shot("missing")
		b.t.Fatalf("%s: there is no %s %q; there is: %s", b.path(), strings.Join(roles, " or "), name, b.offers(roles))
	}
	return found
}

func (b *tab) look(name string, roles ...string) (found thing, ok bool) {
	b.t.Helper()
	low := strings.ToLower(name)
	for _, x := range b.things() {
		have := strings.ToLower(x.name)
		if !slices.Contains(roles, x.role) || !strings.HasPrefix(have, low) {
			continue
		}
		if have == low {
			return x, true
		}
		if !ok {
			found, ok = x, true
		}
	}
	return found, ok
}

func (b *tab) offers(roles []string) string {
	var names []string
	for _, x := range b.things() {
		if slices.Contains(roles, x.role) {
			names = append(names, fmt.Sprintf("%q", x.name))
		}
	}
	return strings.Join(names, ", ")
}

// where brings a thing into view, out from under the bar at the foot of a telephone's page, and returns its middle. It
// fails for one that a live page has replaced meanwhile.
func (b *tab) where(x thing) (at [2]float64, err error) {
	if at, err = b.middle(x); err != nil || b.size.wide >= 500 || at[1] < float64(b.size.high)-footPX {
		return at, err
	}
	ctx, cancel := b.bounded()
	defer cancel()
	if _, err = chromedp.Call(ctx, input.SynthesizeScrollGesture, input.SynthesizeScrollGestureParams{
		X: float64(b.size.wide) / 2, Y: float64(b.size.high) / 2, YDistance: -2 * footPX, Speed: 4000}); err != nil {
		return at, err
	}
	return b.middle(x)
}

// footPX is more than the height of the bar.
const footPX = 110

// middle brings a thing into view and returns where its middle is.
func (b *tab) middle(x thing) (at [2]float64, err error) {
	ctx, cancel := b.bounded()
	defer cancel()
	if _, err := chromedp.Call(ctx, dom.ScrollIntoViewIfNeeded, dom.ScrollIntoViewIfNeededParams{BackendNodeID: x.node}); err != nil {
		return at, err
	}
	q, err := chromedp.Call(ctx, dom.GetContentQuads, dom.GetContentQuadsParams{BackendNodeID: x.node})
	if err != nil {
		return at, err
	}
	if len(q.Quads) == 0 {
		return at, errors.New("it takes no room on the page")
	}
	for i := range 4 {
		at[0] += q.Quads[0][2*i] / 4
		at[1] += q.Quads[0][2*i+1] / 4
	}
	return at, nil
}

// reach is where for a thing that must still be there.
func (b *tab) reach(x thing) [2]float64 {
	b.t.Helper()
	at, err := b.where(x)
	if err != nil {
		b.t.Fatalf("%s: %s: %v", b.path(), x, err)
	}
	return at
}

// press clicks a button or follows a link, as soon as it stands still.
func (b *tab) press(name string) {
	b.t.Helper()
	var x thing
	var at [2]float64
	var err error
	if !within(longest, func() bool {
		x = b.find(name, presses...)
		at, err = b.where(x)
		return err == nil
	}) {
		b.t.Fatalf("%s: %s: %v", b.path(), x, err)
	}
	b.clickAt(x, at, 1)
}

// click clicks so many times in a row, as quickly as a nervous finger.
func (b *tab) click(x thing, times int) {
	b.t.Helper()
	b.clickAt(x, b.reach(x), times)
}

func (b *tab) clickAt(x thing, at [2]float64, times int) {
	b.t.Helper()
	ctx, cancel := b.bounded()
	defer cancel()
	for n := range times {
		for _, kind := range []input.DispatchMouseEventType{input.DispatchMouseEventTypeMousePressed, input.DispatchMouseEventTypeMouseReleased} {
			_, err := chromedp.Call(ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: at[0], Y: at[1],
				Button: input.MouseButtonLeft, Buttons: 1, ClickCount: int64(n + 1)})
			if err != nil {
				b.t.Fatalf("cannot click %s: %v", x, err)
			}
		}
	}
}

// fill types a text into a field in place of what it holds.
func (b *tab) fill(label, text string) {
	b.t.Helper()
	x := b.find(label, boxes...)
	call(b, dom.ScrollIntoViewIfNeeded, dom.ScrollIntoViewIfNeededParams{BackendNodeID: x.node})
	call(b, dom.Focus, dom.FocusParams{BackendNodeID: x.node})
	b.keys("a", chromedp.KeyModifiers(chromedp.ModifierCtrl))
	b.keys(kb.Delete)
	if text != "" {
		call(b, input.InsertText, input.InsertTextParams{Text: text})
	}
}

// tick puts a box or a choice on.
func (b *tab) tick(label string) {
	b.t.Helper()
	if x := b.find(label, ticks...); x.props["checked"] != "true" {
		b.click(x, 1)
	}
}

// unfold opens what is folded under a heading.
func (b *tab) unfold(heading string) {
	b.t.Helper()
	if x := b.find(heading, "DisclosureTriangle"); x.props["expanded"] != "true" {
		b.click(x, 1)
	}
}

// choose takes an entry of a list by typing its first letters, as from a keyboard.
func (b *tab) choose(label, entry string) {
	b.t.Helper()
	x := b.find(label, "combobox", "listbox")
	call(b, dom.Focus, dom.FocusParams{BackendNodeID: x.node})
	b.keys(entry)
	if got := b.find(label, "combobox", "listbox"); !strings.HasPrefix(strings.ToLower(got.value), strings.ToLower(entry)) {
		b.t.Fatalf("%s: %q stays at %q, want %q", b.path(), label, got.value, entry)
	}
}

// upload puts a file into a file field.
func (b *tab) upload(label, path string) {
	b.t.Helper()
	x := b.find(label, "button", "textbox")
	call(b, dom.SetFileInputFiles, dom.SetFileInputFilesParams{Files: []string{path}, BackendNodeID: x.node})
}

// value is what a field holds.
func (b *tab) value(label string) string {
	b.t.Helper()
	return b.find(label, boxes...).value
}

// keys presses keys, one after the other.
func (b *tab) keys(keys string, o ...chromedp.KeyOption) {
	b.t.Helper()
	b.do(chromedp.KeyEvent(keys, o...))
}

// enter presses Enter. As one event with its text, as a keyboard's comes: sent apart,
// the text of a key that has followed a link would fall into the field it leads to.
func (b *tab) enter() {
	b.t.Helper()
	down := input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyDown, Key: "Enter", Code: "Enter", WindowsVirtualKeyCode: 13,
		NativeVirtualKeyCode: 13, Text: "\r", UnmodifiedText: "\r"}
	call(b, input.DispatchKeyEvent, down)
	up := down
	up.Type, up.Text, up.UnmodifiedText = input.DispatchKeyEventTypeKeyUp, "", ""
	call(b, input.DispatchKeyEvent, up)
}

// words are all texts of the page, in order.
func (b *tab) words() string {
	b.t.Helper()
	var out []string
	for _, x := range b.things() {
		if x.role == "StaticText" || x.role == "image" || x.role == "img" {
			out = append(out, x.name)
		}
	}
	return strings.Join(strings.Fields(strings.Join(out, " ")), " ")
}

// sees waits until all texts stand in the page, without a reload by us.
func (b *tab) sees(texts ...string) {
	b.t.Helper()
	var words string
	missing := func() string {
		words = strings.ToLower(b.words())
		for _, text := range texts {
			if !strings.Contains(words, strings.ToLower(text)) {
				return text
			}
		}
		return ""
	}
	if !within(longest, func() bool { return missing() == "" }) {
		b.shot("missing")
		b.t.Fatalf("%s: %q does not come to stand there: %s", b.path(), missing(), words)
	}
}

// within polls for what comes about in real time.
func within(bound time.Duration, is func() bool) bool {
	for end := time.Now().Add(bound); ; time.Sleep(20 * time.Millisecond) {
		if is() {
			return true
		}
		if time.Now().After(end) {
			return false
		}
	}
}

// has reports whether a thing is there now.
func (b *tab) has(name string, roles ...string) bool {
	b.t.Helper()
	_, ok := b.look(name, roles...)
	return ok
}

// says reports whether a text stands in the page now.
func (b *tab) says(text string) bool {
	b.t.Helper()
	return strings.Contains(strings.ToLower(b.words()), strings.ToLower(text))
}

func contains(text, part string) bool {
	return strings.Contains(strings.ToLower(text), strings.ToLower(part))
}

func lastWord(text string) string { return text[strings.LastIndexByte(text, ' ')+1:] }
