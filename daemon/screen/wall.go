package screen

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// MostOnWall is how many machines fit on one wall with letters that can be read from 3 m.
const MostOnWall = 6

// wallStale is how long a picture of a run may stay the same: a run that is well renews it every few seconds.
const wallStale = time.Minute

// Seen is what a wall knows of one machine.
type Seen struct {
	Name     string               // shown until the machine has said its own
	Snapshot *supervisor.Snapshot // the newest; nil if none has come yet
	Heard    time.Time            // when it came, by this computer's clock; zero if none has come yet
	Lost     string               // why there is no contact, in a few words; "" while there is
}

// WallOptions are what a wall is made of.
type WallOptions struct {
	// Machines tell what is known of each machine, at once; their places on the wall are in this order.
	Machines []func() Seen
	// Pages is whether the daemon's other pages are at the same address.
	Pages bool
	Log   *zap.Logger
}

// wall is a page to be read from 3 m: one band for each machine, with sign and verb, three numbers, heat and belt. It takes
// no commands.
type wall struct {
	WallOptions
	page *template.Template
	hub  *hub
}

// NewWall returns the handler of a wall that stands alone: /wall, its stream, and what its page is made of.
func NewWall(o WallOptions) http.Handler {
	w := newWall(o)
	mux := http.NewServeMux()
	mux.Handle("GET /{$}", http.RedirectHandler("/wall", http.StatusSeeOther))
	w.serve(mux)
	mux.HandleFunc("GET /static/{file}", serveStatic)
	return mux
}

func newWall(o WallOptions) *wall {
	w := &wall{WallOptions: o, page: template.Must(template.New("wall").Funcs(functions).ParseFS(pageFiles, "pages/wall.html"))}
	w.hub = newHub(w.fragments)
	return w
}

func (w *wall) serve(mux *http.ServeMux) {
	mux.HandleFunc("GET /wall", w.show)
	mux.HandleFunc("GET /wall/stream", func(out http.ResponseWriter, r *http.Request) { w.hub.serve(out, r, false, w.names()) })
}

// ownRun is what a daemon's wall knows of the daemon's own run.
func ownRun(r Run) func() Seen {
	return func() Seen {
		s := r.Snapshot()
		seen := Seen{Name: s.Machine, Snapshot: s, Heard: s.At}
		if time.Since(s.At) > wallStale {
			seen.Lost = "the daemon does not follow the machine"
		}
		return seen
	}
}

// names are the sections of the page: one for each machine, and the time of day.
func (w *wall) names() (list []string) {
	for i := range w.Machines {
		list = append(list, fmt.Sprintf("m%d", i))
	}
	return append(list, "clock")
}

func (w *wall) fragments(context.Context) (*fragments, error) {
	f := &fragments{html: map[string]string{"clock": time.Now().Format("15:04")}}
	for i, look := range w.Machines {
		var text bytes.Buffer
		if err := w.page.ExecuteTemplate(&text, "cell", cellOf(look(), len(w.Machines))); err != nil {
			return nil, err
		}
		f.html[fmt.Sprintf("m%d", i)] = strings.TrimSpace(text.String())
	}
	return f, nil
}

func (w *wall) show(out http.ResponseWriter, r *http.Request) {
	f, err := w.fragments(r.Context())
	if err != nil {
		w.Log.Error("cannot make a page", zap.String("page", "wall"), zap.Error(err))
		http.Error(out, "cannot make the page: "+err.Error(), http.StatusInternalServerError)
		return
	}
	names := w.names()
	v := struct {
		Title, Asset, Clock string
		Cells               []struct{ ID, HTML string }
		Light, Pages        bool
	}{Title: "Wall", Asset: assetVersion, Clock: f.html["clock"], Light: r.URL.Query().Has("light"), Pages: w.Pages}
	for _, id := range names[:len(w.Machines)] {
		v.Cells = append(v.Cells, struct{ ID, HTML string }{id, f.html[id]})
	}
	if len(w.Machines) == 1 {
		v.Title += " · " + nameOf(w.Machines[0]())
	}
	var text bytes.Buffer
	if err := w.page.ExecuteTemplate(&text, "page", v); err != nil {
		w.Log.Error("cannot make a page", zap.String("page", "wall"), zap.Error(err))
		http.Error(out, "cannot make the page: "+err.Error(), http.StatusInternalServerError)
		return
	}
	out.Header().Set("Content-Type", "text/html; charset=utf-8")
	out.Header().Set("Cache-Control", "no-store")
	_, _ = out.Write(text.Bytes()) // a reader who has gone needs no answer
}

// number is one of the three large figures of a machine.
type number struct{ Label, Value, Of, Small string }

// wallCell is one machine on the wall.
type wallCell struct {
	Name    string
	Sign    wording.Sign
	Verb    string
	Brief   bool // the verb is a short one: its letters are larger
	Matter  string
	Fit     string // class of the matter's letters, by its length
	Lost    bool
	LostFit string
	LostWhy string // and what was known last
	Heard   string
	Known   bool // something was heard of it
	Note    string
	Numbers []number
	Heat    []heatLine
	Proof   string // whether the heaters are off
	Hot     bool   // they are not shown to be
	Belt    beltLine
}

type heatLine struct{ Name, Now, Target string }

// beltLine is the belt in words, and its offset for the drawing, which is 1000 wide.
type beltLine struct {
	Offset, Limit, Parts string
	Drawn, Known, Over   bool
	X, From, Wide        int // of the mark, and of the stretch from the middle to it
}

// Letters that fit on a wall of so many machines: the name, and what the headline is about.
var (
	nameLetters   = [MostOnWall + 1]int{1: 40, 2: 28, 3: 20, 4: 18, 5: 18, 6: 18}
	matterLetters = [MostOnWall + 1]int{1: 120, 2: 84, 3: 72, 4: 72, 5: 48, 6: 48}
)

func nameOf(x Seen) string {
	if x.Snapshot != nil && x.Snapshot.Machine != "" {
		return wording.Printable(x.Snapshot.Machine)
	}
	return wording.Printable(x.Name)
}

func cellOf(x Seen, machines int) wallCell {
	most := matterLetters[machines]
	v := wallCell{Name: shortened(nameOf(x), nameLetters[machines]), Lost: x.Lost != "", Sign: "none", Verb: "No contact"}
	s := x.Snapshot
	if s == nil {
		v.LostWhy = shortened("Not reached yet: "+x.Lost, most)
		v.LostFit, v.Lost = fit(v.LostWhy), true
		return v
	}
	h := wording.HeadlineOf(s)
	v.Known, v.Sign, v.Verb, v.Matter = true, h.Sign, h.Verb, shortened(wording.Printable(h.Matter), most)
	v.Fit, v.Brief = fit(v.Matter), len(h.Verb) <= 7
	v.Heard = x.Heard.Local().Format("15:04:05")
	v.LostWhy = "Last known: " + strings.ToLower(h.Verb[:1]) + h.Verb[1:]
	if x.Lost != "" {
		v.LostWhy += ". " + sentence(x.Lost)
	}
	v.LostWhy = shortened(v.LostWhy, most-len("Since 15:04:05. "))
	v.LostFit = fit(v.LostWhy)
	if s.Clock != "" {
		v.Note = "The clock is not right: no times of day"
	}
	v.Numbers = numbersOf(s, h.Sign)
	v.Heat, v.Proof, v.Hot = wallHeat(s)
	v.Belt = wallBelt(&s.Belt)
	return v
}

// fit is the class of letters for a text of a length.
func fit(text string) string {
	switch n := len([]rune(text)); {
	case n <= 34:
		return "short"
	case n <= 64:
		return "middling"
	}
	return "long"
}

// shortened cuts a text at a space so that so many letters are left, with a mark that something is missing.
func shortened(text string, letters int) string {
	r := []rune(text)
	if len(r) <= letters {
		return text
	}
	cut := string(r[:letters-1])
	if at := strings.LastIndexByte(cut, ' '); at > len(cut)/2 {
		cut = cut[:at]
	}
	return strings.TrimRight(cut, " ,;:.") + "…"
}

// numbersOf are the good parts; when somebody must come, or since when it waits; and the good parts by then, or what is
// still to be looked at.
func numbersOf(s *supervisor.Snapshot, sign wording.Sign) []number {
	good := number{Label: "Good", Value: "–", Small: "no lot"}
	l := s.Lot
	if l != nil {
		good = number{Label: "Good", Value: fmt.Sprint(l.Good), Of: fmt.Sprintf("of %d", l.Ordered)}
		if sign == wording.SignWorking && l.Unverified > 0 {
			good.Small = fmt.Sprintf("%d not looked at", l.Unverified)
		}
	}
	when, third := number{Label: "Next visit", Value: "none"}, number{Label: "On the belt", Value: fmt.Sprint(made(&s.Belt)), Small: "parts"}
	unseen := func() {
		if l != nil {
			third = number{Label: "Not looked at", Value: fmt.Sprint(l.Unverified), Small: "parts"}
			if l.Interrupted > 0 {
				third.Small = fmt.Sprintf("%d interrupted", l.Interrupted)
			}
		}
	}
	switch n := s.Next; {
	case sign == wording.SignDanger || sign == wording.SignFault || sign == wording.SignWaiting:
		when = sinceOf(s)
		unseen()
	case n != nil && l != nil:
		when = number{Label: "Next visit", Value: "soon", Small: "after this part"}
		if n.Parts > 0 && s.State != supervisor.Holding && s.State != supervisor.Suspending {
			when = at("Next visit", n.At, s)
			when.Small = strings.TrimPrefix(when.Small+", "+wording.Reason(n.Reason), ", ")
		}
		third = number{Label: "Good by then", Value: fmt.Sprint(min(l.Ordered, l.Good+l.Unverified+n.Parts)), Small: "if all are good"}
		if r := l.Ready; r != nil && s.Clock == "" {
			third.Small = fmt.Sprintf("all %d: %s", l.Ordered, wording.Clock(r.At, s.At))
		}
	case l != nil && l.Status == ledger.LotOpen:
		unseen()
	case l != nil:
		third = number{Label: "Scrap", Value: fmt.Sprint(l.Scrap), Small: "parts"}
	}
	return []number{good, when, third}
}

// at is a moment to come: the time of day, and in how long; only the latter where the clock is not right.
func at(label string, t time.Time, s *supervisor.Snapshot) number {
	in := wording.Span(t.Sub(s.At))
	if s.Clock != "" {
		return number{Label: label, Value: in, Small: "from now"}
	}
	n := number{Label: label, Value: t.Local().Format("15:04"), Small: "in " + in}
	if day := t.Local().Format("Mon 2 Jan"); day != s.At.Local().Format("Mon 2 Jan") {
		n.Small = day
	}
	return n
}

// sinceOf says since when the machine waits.
func sinceOf(s *supervisor.Snapshot) number {
	since := wording.Span(s.At.Sub(s.Since))
	if s.Clock != "" {
		return number{Label: "For", Value: since}
	}
	n := number{Label: "Since", Value: s.Since.Local().Format("15:04"), Small: since}
	if day := s.Since.Local().Format("Mon 2 Jan"); day != s.At.Local().Format("Mon 2 Jan") {
		n.Small = day
	}
	return n
}

// made counts the parts that lie made on the belt.
func made(b *supervisor.BeltView) (n int) {
	for _, p := range b.Parts {
		if !p.Making {
			n++
		}
	}
	return n
}

// wallHeat is the newest reading, and whether the heaters are off.
func wallHeat(s *supervisor.Snapshot) (list []heatLine, proof string, hot bool) {
	h := &s.Heat
	one := func(name string, has bool, now, target float64) {
		x := heatLine{Name: name, Now: "no reading"}
		if has && !h.Read.IsZero() {
			x.Now, x.Target = fmt.Sprintf("%.0f °C", now), "off"
			if target > 0 {
				x.Target = fmt.Sprintf("of %.0f °C", target)
			}
		}
		list = append(list, x)
	}
	one("Nozzle", h.HasNozzle, h.NozzleC, h.NozzleTargetC)
	one("Bed", h.HasBed, h.BedC, h.BedTargetC)
	ended := s.HeatFault != "" || h.Proof != "" && (s.State == supervisor.Aborting || s.State == supervisor.Aborted)
	switch {
	case h.Unsure:
		return list, "Heaters may be on", true
	case ended && h.Proved:
		return list, "Heaters shown to be off", false
	case ended:
		return list, "Heaters not shown to be off", true
	case h.Read.IsZero() || !s.Line.Connected:
		return list, "Heaters not read", true
	case h.NozzleTargetC > 0 || h.BedTargetC > 0:
		return list, "Heaters on", false
	}
	return list, "Heaters off", false
}

// wallBelt draws the offset against its limit.
func wallBelt(b *supervisor.BeltView) beltLine {
	const middle, limitAt, end = 500, 400, 480 // of the drawing; the limit is so far from the middle, and nothing further than the end
	v := beltLine{Offset: "not read", Limit: fmt.Sprintf("limit %.1f mm", b.OffsetLimitMM), Parts: wording.Count(made(b), "part") + " on it"}
	mm := b.WorstOffsetMM
	if b.OffsetMM != nil {
		mm = *b.OffsetMM
		v.Known, v.Offset = true, fmt.Sprintf("%+.1f mm", mm)
	}
	if b.OffsetLimitMM <= 0 {
		v.Limit = "no limit"
		return v
	}
	v.Drawn, v.Over = true, math.Abs(mm) > b.OffsetLimitMM
	if v.Over && v.Known {
		v.Limit = "beyond " + v.Limit
	}
	out := int(math.Round(math.Max(-end, math.Min(end, limitAt*mm/b.OffsetLimitMM))))
	v.X, v.From, v.Wide = middle+out, min(middle, middle+out), max(out, -out)
	if !v.Known { // to either side, it is not known to which
		v.From, v.Wide = middle-v.Wide, 2*v.Wide
	}
	return v
}
