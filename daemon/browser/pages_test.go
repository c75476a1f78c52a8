package browser

import (
	"fmt"
	"strings"
	"testing"

	"beltwarden/config"
	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

var wall = screen{1920, 1080}

// lawful holds the page to the rules, light and dark.
func (b *tab) lawful() {
	b.t.Helper()
	for _, problem := range b.unlawful() {
		b.t.Errorf("%s at %d px: %s", b.path(), b.size.wide, problem)
	}
}

// order opens a lot of clips over the interface and has it begin.
func (w *workshop) order(name string, good int) {
	w.t.Helper()
	c := client.New(w.set.Server.Socket)
	defer c.Close()
	w.reach(supervisor.Idle)
	_, err := c.OpenLot(w.t.Context(), client.LotRequest{Name: name, Jobs: []string{job(w.t, "stake-clip.gcode")}, Good: []int{good}, Start: true, By: "Ada"})
	if err != nil {
		w.t.Fatal(err)
	}
}

// visited records a visit with an offset and good parts.
func (w *workshop) visited(offsetMM float64, good int, lengthsMM ...float64) {
	w.t.Helper()
	w.do(supervisor.Request{By: "Ada", Visit: &supervisor.Visit{OffsetMM: &offsetMM, Good: good, LengthsMM: lengthsMM, Sure: true}})
}

// everyPage are the pages that exist whatever the machine does.
var everyPage = []string{"/", "/visit", "/lots", "/lots/new", "/events", "/alerts"}

// A moment of the machine at which every page is looked at.
type moment struct {
	name  string
	bring func(w *workshop) // the machine there
	pages []string          // beside everyPage
}

// moments follow one another in one workshop.
var moments = []moment{
	{"nothing-begun", func(w *workshop) { w.reach(supervisor.Idle) }, []string{"/command/reset", "/command/start", "/nowhere"}},
	{"making-parts", func(w *workshop) { w.order("plant-stake clips", 12); w.reach(supervisor.Execute) },
		[]string{"/command/hold", "/command/stop", "/command/abort", "/lots/1"}},
	{"held-for-a-visit", func(w *workshop) { w.reach(supervisor.Held) }, []string{"/command/unhold", "/command/stop", "/lots/1"}},
	{"belt-far-out", func(w *workshop) {
		for _, mm := range []float64{0.2, 0.9, 1.8} {
			w.visited(mm, 1, 38.1, 38.0)
			w.do(supervisor.Request{Command: supervisor.Unhold, By: "Ada"})
			w.reach(supervisor.Execute)
			w.reach(supervisor.Held)
		}
		w.visited(3.6, 0, 38.4, 37.2)
	}, []string{"/command/unhold", "/lots/1"}},
	{"failed-in-a-part", func(w *workshop) {
		w.do(supervisor.Request{Command: supervisor.Unhold, By: "Ada", Override: "the reading was wrong"})
		w.reach(supervisor.Execute)
		w.fail("reset@time=1s")
		w.reach(supervisor.Aborted)
	}, []string{"/command/clear", "/lots/1"}},
}

// fail has the machine go wrong as the words say.
func (w *workshop) fail(words string) {
	w.t.Helper()
	f, err := rig.ParseFault(words)
	if err == nil {
		err = w.rig.Inject(f)
	}
	if err != nil {
		w.t.Fatal(err)
	}
}

// Every page keeps the rules at every moment of a lot that goes wrong, on a desk and
// on a telephone.
func TestEveryPageKeepsTheRules(t *testing.T) {
	withoutRace(t)
	beside(t)
	w := newWorkshop(t, 100, func(c *config.Settings) { c.Hold.EveryParts = 2 })
	b := open(t, w.url, desk)
	titles := map[string]string{}
	for _, m := range moments {
		m.bring(w)
		for _, path := range append(append([]string{}, everyPage...), m.pages...) {
			for _, s := range []screen{desk, phone} {
				b.resize(s)
				b.visit(path)
				b.lawful()
				b.shot(fmt.Sprintf("%s-%s-%d", m.name, strings.ReplaceAll(strings.Trim(path, "/"), "/", "-"), s.wide))
			}
			title := ask[string](b, "document.title")
			if other, ok := titles[title]; ok && other != path {
				t.Errorf("%s and %s are both called %q", path, other, title)
			}
			titles[title] = path
		}
	}
}
