package screen

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// lots lists all lots, the newest first.
func (sc *screen) lots(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), readLimit)
	defer cancel()
	list, err := sc.Lots(ctx)
	if err != nil {
		sc.fail(w, r, err)
		return
	}
	s := sc.Run.Snapshot()
	type lotRow struct {
		client.LotSummary
		When string
	}
	var rows []lotRow
	for _, l := range list {
		rows = append(rows, lotRow{l, wording.Clock(l.Opened.At, s.At)})
	}
	p := sc.page(r, "Lots")
	p.Body = struct {
		Rows []lotRow
		Open bool
	}{rows, s.Lot != nil && s.Lot.Status == ledger.LotOpen}
	sc.write(w, http.StatusOK, "lots", p)
}

// lotView is one lot with its history, as far as a page has room for it.
type lotView struct {
	*client.LotDetail
	Key, Opened string
	Again       string // address of the form that orders the same jobs; empty where a copy is gone
	Current     bool   // it is the lot in progress and can be ended
	Fulfilled   bool
	Scraps      []row
	Figures     []row
	Visits      []visitRow
	Holds       []holdRow
	Cycles      []cycleRow
	MoreCycles  int
}

type visitRow struct {
	At, By, Found string
	ID            int64
	Gone          string // why it no longer counts
}

type holdRow struct{ At, Long, Why, How string }

type cycleRow struct {
	Ordinal        int
	State, At      string
	Minutes, Notes string
}

// mostCycles is how many cycles the page of a lot lists, the newest.
const mostCycles = 50

func (sc *screen) lot(w http.ResponseWriter, r *http.Request) { sc.showLot(w, r, http.StatusOK) }

func (sc *screen) showLot(w http.ResponseWriter, r *http.Request, status int) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil || id < 1 {
		sc.nothing(w, r)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), readLimit)
	defer cancel()
	l, err := sc.Lot(ctx, id)
	if err != nil {
		sc.fail(w, r, err)
		return
	}
	p := sc.page(r, fmt.Sprintf("Lot %d", id))
	p.Said = doneTexts[r.URL.Query().Get("done")]
	p.Body = sc.lotOf(l, p.Key)
	sc.write(w, status, "lot", p)
}

func (sc *screen) lotOf(l *client.LotDetail, key string) lotView {
	s := sc.Run.Snapshot()
	v := lotView{LotDetail: l, Key: key, Opened: wording.Clock(l.Opened.At, s.At),
		Current: s.Lot != nil && s.Lot.ID == l.ID && ledger.Unfinished(l.Status), Fulfilled: l.Good >= l.Ordered}
	if sc.Jobs != nil && len(l.Jobs) <= mostOrdered && !slices.ContainsFunc(l.Jobs, func(j client.JobTally) bool { return j.Copy == "" }) {
		again := url.Values{}
		for _, j := range l.Jobs {
			again.Add("job", j.Copy)
		}
		v.Again = "/lots/new?" + again.Encode()
	}
	for _, reason := range slices.Sorted(maps.Keys(l.ScrapByReason)) {
		v.Scraps = append(v.Scraps, row{reason, fmt.Sprint(l.ScrapByReason[reason])})
	}
	if f := l.Figures.Figures; f != nil {
		percent := func(x float64) string { return fmt.Sprintf("%.1f %%", 100*x) }
		v.Figures = []row{{"Availability", percent(f.Availability)}, {"Effectiveness", percent(f.Effectiveness)},
			{"Quality ratio", percent(f.QualityRatio)}, {"OEE", percent(f.OEE)}}
	}
	for _, c := range slices.Backward(l.Checks) {
		row := visitRow{At: wording.Clock(c.At, s.At), By: c.By, ID: c.ID, Found: foundText(&c)}
		if c.CorrectedBy != 0 {
			row.Gone = fmt.Sprintf("superseded by check %d", c.CorrectedBy)
		}
		v.Visits = append(v.Visits, row)
	}
	for _, h := range slices.Backward(l.Holds) {
		row := holdRow{At: wording.Clock(h.Begun.At, s.At), Why: sentence(h.Text), How: h.How, Long: "lasts"}
		if h.Ended != nil {
			row.Long = "ended"
			if h.Ended.Boot == h.Begun.Boot {
				row.Long = wording.Span(seconds(h.Ended.SinceStartS - h.Begun.SinceStartS))
			}
		}
		if h.By != "" {
			row.How = strings.TrimSpace(row.How + " by " + h.By)
		}
		if h.Override != "" {
			row.How += ", overridden: " + h.Override
		}
		v.Holds = append(v.Holds, row)
	}
	shown := newest(l.Cycles, mostCycles)
	v.MoreCycles = len(l.Cycles) - len(shown)
	for _, c := range slices.Backward(shown) {
		row := cycleRow{Ordinal: c.Ordinal, State: c.State, At: wording.Clock(c.Begun.At, s.At), Notes: c.Reason}
		if c.MachineTimeS > 0 {
			row.Minutes = wording.Span(seconds(c.MachineTimeS))
		}
		if c.Good != nil {
			row.Notes += map[bool]string{true: "; decided good", false: "; decided scrap"}[*c.Good]
		}
		v.Cycles = append(v.Cycles, row)
	}
	return v
}

// foundText says in a line what a visit found and did.
func foundText(c *client.Check) string {
	list := wording.CheckPhrases(c)
	if c.Note != "" {
		list = append(list, "note: "+c.Note)
	}
	if len(list) == 0 {
		return "nothing recorded"
	}
	return strings.Join(list, "; ")
}

// endLot gives up a lot, or closes one whose parts were all found good.
func (sc *screen) endLot(w http.ResponseWriter, r *http.Request) {
	f := sc.formOf(w, r)
	if f == nil {
		return
	}
	id := r.PathValue("id")
	if lot := sc.Run.Snapshot().Lot; lot == nil || fmt.Sprint(lot.ID) != id {
		sc.sorry(w, r, http.StatusConflict, "Cannot end the lot: it is not in progress", "This lot has already ended.")
		return
	}
	if _, err := sc.Run.Do(r.Context(), supervisor.Request{EndLot: true, By: sc.Who(r, f.text("by")), Override: f.text("reason")}); err != nil {
		sc.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/lots/"+id+"?done=ended", http.StatusSeeOther)
}

// events lists what happened, the newest first.
func (sc *screen) events(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), readLimit)
	defer cancel()
	list, err := sc.Ledger.Journal(ctx, mostEvents)
	if err != nil {
		sc.fail(w, r, err)
		return
	}
	p := sc.page(r, "Events")
	p.Body = eventsOf(list, sc.Run.Snapshot().At)
	sc.write(w, http.StatusOK, "events", p)
}

// seconds is a time that JSON carries as a number.
func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
