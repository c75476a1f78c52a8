package browser

import (
	_ "embed"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
)

//go:embed rules.js
var rules string

// named are roles that are nothing without a name.
var named = slices.Concat(boxes, presses, ticks, []string{"listbox", "image", "img", "table", "heading", "DisclosureTriangle", "progressbar", "meter", "slider", "group"})

// unlawful returns what breaks the rules, light and dark.
func (b *tab) unlawful() (problems []string) {
	b.t.Helper()
	least := 0
	if b.size.wide < 500 { // a telephone: fingers are in gloves, or dirty
		least = 48
	}
	for _, scheme := range []string{"dark", "light"} {
		b.media(scheme)
		for _, p := range ask[[]string](b, fmt.Sprintf("(%s)(%d)", strings.TrimSpace(afterComment(rules)), least)) {
			if scheme == "dark" {
				if !strings.HasPrefix(p, "contrast:") && !strings.HasPrefix(p, "focus:") {
					continue // reported in the light
				}
				p += " (dark)"
			}
			problems = append(problems, p)
		}
	}
	for _, x := range b.things() {
		if slices.Contains(named, x.role) && x.name == "" && !(x.role == "group" && x.props["invalid"] == "") {
			problems = append(problems, "names: a "+x.role+" has none")
		}
	}
	return problems
}

// afterComment leaves the comment before a function out, so that it can be called.
func afterComment(js string) string {
	for strings.HasPrefix(js, "//") {
		_, js, _ = strings.Cut(js, "\n")
	}
	return js
}

// shell is a page that keeps all rules, with a place for more.
const shell = `<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Try</title><style>body{color:#111;background:#fff;font:16px sans-serif}button,input,select{font-size:16px;min-height:48px;border:1px solid #555}
.set{color:#aaa}.gap{outline:none}.cut{width:4em;overflow:hidden;white-space:nowrap}.low{min-height:20px}.danger{color:#fff;background:#d02020}.wide{width:3000px}</style></head>
<body><header><p>Workshop</p></header><main><h1>Try</h1>%s</main></body></html>`

// Every rule can be broken, and is reported by its name then; a good page keeps all.
func TestRulesBite(t *testing.T) {
	withoutRace(t)
	beside(t)
	for _, c := range []struct{ name, page, want string }{
		{"good", `<h2>Parts</h2><form><label for="a">Good</label><input id="a"><button>Send</button></form><p aria-live="polite">3 made</p>
<table><caption>Lots</caption><tr><th scope="col">Lot</th></tr><tr><td>Clips</td></tr></table>
<svg role="img" aria-label="Belt" viewBox="0 0 90 40" width="90"><rect width="90" height="40" fill="#222"/><text x="5" y="20" fill="#fff">belt</text></svg>`, ""},
		{"label", `<form><input name="n"><button>Send</button></form>`, "labels: input[name=n]"},
		{"label by place alone", `<form><input placeholder="Good"><button>Send</button></form>`, "labels: input"},
		{"label to nowhere", `<label for="nobody">Good</label>`, "ids: label"},
		{"id twice", `<p id="a">x</p><p id="a">y</p>`, "ids: p#a"},
		{"gap", `<h3>Parts</h3>`, "headings: h3"},
		{"two", `<h1>Parts</h1>`, "headings: page: it has 2"},
		{"mistake unsaid", `<form><label for="a">Good</label><input id="a" aria-invalid="true"><button>Send</button></form>`, "mistakes: input#a"},
		{"button without a name", `<button></button>`, "names: a button has none"},
		{"contrast", `<p class="set">made</p>`, "contrast: p.set"},
		{"contrast of danger", `<button class="danger">Abort</button>`, "contrast: button.danger"},
		{"contrast in a picture", `<svg role="img" aria-label="Belt" viewBox="0 0 90 40" width="90"><rect width="90" height="40" fill="#222"/><text x="5" y="20" fill="#333">belt</text></svg>`, "contrast: text"},
		{"picture without words", `<svg width="9" height="9"></svg>`, "pictures: svg"},
		{"cut in a picture", `<svg role="img" aria-label="Belt" viewBox="0 0 90 40" width="90"><text x="80" y="20">travel</text></svg>`, "cut off: text"},
		{"upon each other", `<svg role="img" aria-label="Belt" viewBox="0 0 90 40" width="90"><text x="5" y="20">travel</text><text x="8" y="21">limit</text></svg>`, "overlap: text"},
		{"cut", `<p class="cut">made of many parts</p>`, "cut off: p.cut"},
		{"table", `<table><tr><td>x</td></tr></table>`, "tables: table"},
		{"order", `<button tabindex="2">x</button>`, "tab order: button"},
		{"focus unseen", `<button class="gap">x</button>`, "focus: button.gap"},
		{"low", `<button class="low">x</button>`, "targets: button.low"},
		{"sideways", `<p class="wide">x</p>`, "sideways: page"},
		{"speaks too much", `<div aria-live="polite">` + strings.Repeat("made ", 99) + `</div>`, "live: div"},
		{"no landmark", `</main><p>x</p><main>`, "landmarks: p"},
		{"hidden", `<p aria-hidden="true"><button>x</button></p>`, "hidden: p"},
		{"choice", `<form><label><input type="radio" name="r"> good</label><button>Send</button></form>`, "labels: input"},
		{"dead link", `<p>To <a>lots</a></p>`, "links: a"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := open(t, served(t, fmt.Sprintf(shell, c.page), ""), phone)
			b.visit("/")
			got := b.unlawful()
			if c.want == "" && len(got) > 0 || c.want != "" && !slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, c.want) }) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

// served serves one page, under a content policy if one is given.
func served(t *testing.T, page, policy string) string {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/favicon.ico" {
			w.WriteHeader(http.StatusNoContent)
			return
		}
		if policy != "" {
			w.Header().Set("Content-Security-Policy", policy)
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = w.Write([]byte(page))
	}))
	t.Cleanup(s.Close)
	return s.URL
}

// What the tests are to notice of a page that misbehaves is noticed.
func TestWatchBites(t *testing.T) {
	withoutRace(t)
	beside(t)
	for _, c := range []struct{ name, page, policy, want string }{
		{"policy", `<script>var x = 1</script>`, "default-src 'self'", "the content policy blocked"},
		{"style", `<p style="color:red">x</p>`, "default-src 'self'", "the content policy blocked"},
		{"script", `<script>nothing()</script>`, "", "a script failed"},
		{"console", `<script>console.error("x")</script>`, "", "a script wrote to the console as error"},
		{"outside", `<img alt="" src="http://pegs.example/x.png">`, "", "the page asks another computer: http://pegs.example/x.png"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := open(t, served(t, fmt.Sprintf(shell, c.page), c.policy), desk)
			b.visit("/")
			ok := within(longest, func() bool {
				return slices.ContainsFunc(b.watch.problems(), func(s string) bool { return strings.HasPrefix(s, c.want) })
			})
			if !ok {
				t.Errorf("noticed %q, want %q", b.watch.problems(), c.want)
			}
			b.watch.forget()
		})
	}
}
