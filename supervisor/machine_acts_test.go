package supervisor

import (
	"context"
	"errors"
	"reflect"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"beltwarden/serialio"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// board makes the board's next response.
func (w *twin) board(rt *rapid.T) {
	switch {
	case w.link == linkOpening:
		w.link = linkUp
		w.feed(LinkSynced{LastNumber: rapid.Int64Range(-1, 5).Draw(rt, "last"), Reset: rapid.Bool().Draw(rt, "reset")})
	case w.link == linkUp && w.running != 0 && rapid.IntRange(0, 9).Draw(rt, "late") > 0:
		id := w.running
		w.running = 0
		if w.cancel && rapid.Bool().Draw(rt, "cut") {
			w.feed(ProgramCancelled{id})
			return
		}
		w.accepts(rt)
		w.ended = w.ended || w.body
		if rapid.IntRange(0, 30).Draw(rt, "fails") == 0 {
			w.ended = false
			w.feed(ProgramFailed{id, errors.New("job file has changed")})
			return
		}
		w.feed(ProgramDone{id})
	case w.link == linkUp:
		w.now = w.now.Add(time.Second)
		wait := w.m.work.waiting
		hot := wait == nil || wait.bedToC == 0
		if rapid.IntRange(0, 4).Draw(rt, "not yet") == 0 {
			hot = !hot
		}
		r := serialio.Reply{Kind: serialio.ReplyTemps}
		r.Temps.HasNozzle, r.Temps.HasBed = true, true
		if hot {
			r.Temps.NozzleC, r.Temps.BedC = 205, 61
		} else {
			r.Temps.NozzleC, r.Temps.BedC = 30, 30
		}
		w.feed(Reported{r})
	}
}

func (w *twin) clock(rt *rapid.T) {
	w.now = w.now.Add(time.Duration(rapid.IntRange(1, 1000).Draw(rt, "s")) * time.Second)
	w.feed(Tick{})
}

func (w *twin) breakLink(rt *rapid.T) {
	if rapid.IntRange(0, 19).Draw(rt, "spare") > 0 {
		return
	}
	err := rapid.SampledFrom([]error{serialio.ErrUnplugged, serialio.ErrReset, serialio.ErrHalted, serialio.ErrSilent}).Draw(rt, "error")
	switch w.link {
	case linkOpening:
		w.link = linkDown
		w.feed(LinkFailed{err})
	case linkUp:
		w.running = 0
		w.feed(LinkLost{err})
	}
}

// disk measures the room for the ledger, usually enough.
func (w *twin) disk(rt *rapid.T) {
	was := w.state
	free := rapid.SampledFrom([]int64{10e6, 55e6, 1e9, 1e9, 1e9, 1e9, 1e9, 1e9, 1e9, 1e9}).Draw(rt, "free")
	w.feed(FreeSpace{free})
	if w.state != was {
		rt.Fatalf("%d bytes free, and without a word it is %s after %s", free, w.state, was)
	}
}

func (w *twin) operate(rt *rapid.T) {
	var likely []Command // what a sensible operator would do here
	for _, c := range Commands() {
		if _, ok := Transition(w.state, c); ok && c != Stop && c != Abort {
			likely = append(likely, c)
		}
	}
	if len(likely) == 0 || rapid.IntRange(0, 9).Draw(rt, "harsh") == 0 {
		likely = Commands()
	}
	switch { // otherwise they would hardly ever be drawn
	case w.state == Execute && rapid.Bool().Draw(rt, "starved"):
		likely = []Command{Suspend}
	case w.state == Suspended:
		likely = []Command{Unsuspend}
	}
	r := Request{Command: rapid.SampledFrom(likely).Draw(rt, "command"),
		AfterPart: rapid.Bool().Draw(rt, "after"), ClearBelt: rapid.Bool().Draw(rt, "clear")}
	switch rapid.IntRange(0, 15).Draw(rt, "kind") {
	case 0:
		r.EndLot = true
	case 1, 2, 3:
		r.Lot = &LotRequest{Plans: []*job.Plan{w.plan}, Good: []int{rapid.SampledFrom([]int{1, 1, 1, 2, 4}).Draw(rt, "good")}, Start: true}
		if rapid.IntRange(0, 7).Draw(rt, "without") == 0 {
			r.Lot.NoFirstArticle = "tried by hand"
		}
	}
	if rapid.Bool().Draw(rt, "override") {
		r.Override = "tried by hand"
	}
	w.feed(r)
}

// comesBack restores the ledger with another machine: it must know everything that the visits reported
// to the first.
func (w *twin) comesBack(rt *rapid.T, set Settings) {
	inspect := func(context.Context, string) (*job.Plan, error) { return w.plan, nil }
	again, err := NewMachine(context.Background(), set, w.l, inspect, "again", w.now)
	if err != nil {
		rt.Fatal(err)
	}
	if d := cmp.Diff(w.m.book, again.book, restored); d != "" {
		rt.Fatalf("the book came back otherwise (-was +is):\n%s", d)
	}
	if d := cmp.Diff(w.m.bed, again.bed, restored); d != "" {
		rt.Fatalf("the belt came back otherwise (-was +is):\n%s", d)
	}
}

// restored compares the result of folding records: all of it except when and by which process the
// records were written, what is computed from it and restored, and the list of changes to a lot's
// file, which nothing reads.
var restored = cmp.Options{
	cmp.Exporter(func(reflect.Type) bool { return true }),
	cmpopts.EquateEmpty(),
	cmpopts.EquateApprox(0, 1e-9),
	cmpopts.IgnoreTypes(ledger.Stamp{}, time.Time{}, func(string) bool { return false }),
	cmp.FilterPath(func(p cmp.Path) bool {
		switch p.Last().String() {
		case ".Alterations", ".Reason", ".yield", ".yieldOf", ".performed", ".key", ".cached", ".uncertainMM",
			".parts": // the ledger does not record that the belt ran over its drop edge
			return true
		}
		return false
	}, cmp.Ignore()),
}

func (w *twin) visit(rt *rapid.T) {
	v := &Visit{Good: rapid.IntRange(0, 2).Draw(rt, "good"), BeltCleared: rapid.Bool().Draw(rt, "cleared"),
		Realigned: rapid.Bool().Draw(rt, "realigned"), Interrupted: rapid.SampledFrom([]string{"", "good", "scrap"}).Draw(rt, "interrupted")}
	if rapid.Bool().Draw(rt, "scrapped") {
		v.Scrap = map[string]int{"loose": rapid.IntRange(0, 1).Draw(rt, "scrap")}
	}
	if rapid.Bool().Draw(rt, "measured") {
		mm := rapid.Float64Range(-4, 4).Draw(rt, "offset")
		v.OffsetMM = &mm
	}
	switch rapid.IntRange(0, 9).Draw(rt, "brought") {
	case 0:
		grams := rapid.Float64Range(0, 2).Draw(rt, "spool") // the part takes milligrams
		v.SpoolG = &grams
	case 1:
		v.BinEmptied = true
	case 2:
		ahead := rapid.Float64Range(-1500, 1500).Draw(rt, "seam")
		v.SeamMM = &ahead
	case 4:
		v.Surface = "cleaned"
	case 5:
		v.DetachedMin = []float64{rapid.Float64Range(0.1, 9).Draw(rt, "minute")}
	case 3:
		v.LengthsMM = rapid.SliceOfN(rapid.Float64Range(19.9, 20.1), 1, 25).Draw(rt, "lengths")
	}
	r := Request{Visit: v}
	v.Sure = rapid.IntRange(0, 3).Draw(rt, "sure") > 0
	if n := w.m.book.Next.Check; n > 1 && rapid.IntRange(0, 3).Draw(rt, "corrects") == 0 {
		v.Surface, v.Corrects, v.Interrupted, v.SeamMM, v.BeltCleared = "", rapid.Int64Range(1, n).Draw(rt, "which"), "", nil, false
		if out := w.feed(r); out.Refused == nil {
			w.seen["corrected"]++
		}
		return
	}
	w.feed(r)
	w.m.Snapshot(w.now)
}
