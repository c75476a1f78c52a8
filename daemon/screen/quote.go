package screen

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"time"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// Cost is what a lot would cost by the rates of the configuration. LeftOut counts the kinds of cost that have no
// rate.
type Cost struct {
	Currency    string
	Total, Each float64
	LeftOut     int
}

// quoteOf says what the lot that is being entered would take; nil before its numbers are entered, or while a job has
// no plan.
func (sc *screen) quoteOf(r *http.Request, f *form, chosen []chosenJob) []row {
	if f == nil || len(chosen) == 0 {
		return nil
	}
	q := &supervisor.LotRequest{Order: ledger.OrderBlocks, NoFirstArticle: f.text("no_first_article")}
	if f.text("order") == ledger.OrderTurn {
		q.Order = ledger.OrderTurn
	}
	for i, c := range chosen {
		n, err := strconv.Atoi(f.text(fmt.Sprintf("good_%d", i+1)))
		if err != nil || c.plan == nil {
			return nil
		}
		q.Plans, q.Good = append(q.Plans, c.plan), append(q.Good, n)
	}
	result, err := sc.Run.Do(r.Context(), supervisor.Request{Quote: q})
	if err != nil || result.Quote == nil {
		return nil
	}
	return sc.quoteRows(result.Quote, sc.Run.Snapshot().At)
}

// quoteRows are a quote in words.
func (sc *screen) quoteRows(q *supervisor.Quote, now time.Time) (list []row) {
	add := func(name, format string, a ...any) { list = append(list, row{name, fmt.Sprintf(format, a...)}) }
	text := fmt.Sprintf("%s, estimated between %s and %s", wording.Span(q.At.Sub(now)), wording.Span(q.Early.Sub(now)), wording.Span(q.Late.Sub(now)))
	text += "; ready about " + wording.Clock(q.At, now)
	if q.Waits == 0 && q.Stops > 0 {
		text += ", if you are there at once at each stop"
	}
	add("Time", "%s", text)
	if q.Unseen {
		add("Certainty", "how long this machine takes to heat and cool was never seen: the time is a guess")
	}
	if q.Behind {
		add("Before it", "a lot is in progress: its time comes on top")
	}
	visits := "none before the last part"
	if len(q.Visits) > 0 {
		first := q.Visits[0]
		visits = fmt.Sprintf("%s before the last part, the first after %s, about %s", wording.Count(q.Stops, "stop"), wording.Count(first.Parts, "part"), wording.Clock(first.At, now))
	}
	add("Visits", "%s; and one at the end", visits)
	filament := fmt.Sprintf("%.1f m, %.0f g", q.FilamentMM/1000, q.FilamentG)
	if q.Scrap > 0 {
		filament += fmt.Sprintf(", and about %.0f g for %s to replace scrap", q.ScrapG, wording.Count(q.Scrap, "part"))
	}
	add("Filament", "%s%s", filament, spools(q))
	yield := "seen here"
	if q.Assumed {
		yield = "assumed"
	}
	add("Parts", "%d to make, if all are good; yield %.0f %% (%s)", q.Parts, 100*q.Yield, yield)
	add("Belt", "%.1f m of travel", q.TravelMM/1000)
	if sc.Cost == nil {
		return list
	}
	whole := 1 + float64(q.Scrap)/float64(max(1, q.Parts)) // scrap takes its time and filament too
	c := sc.Cost(q.FilamentG+q.ScrapG, time.Duration(float64(q.Making.Median)*whole), q.Stops+1, q.Parts)
	if c == nil {
		return list
	}
	cost := fmt.Sprintf("about %.2f %s, %.2f a good part", c.Total, c.Currency, c.Each)
	if c.LeftOut > 0 {
		cost += fmt.Sprintf("; %s without a rate left out", wording.Count(c.LeftOut, "kind")+" of cost")
	}
	add("Cost", "%s", cost)
	return list
}

// spools says how many spools a lot takes, as far as that is known.
func spools(q *supervisor.Quote) string {
	need := q.FilamentG + q.ScrapG
	switch left := q.SpoolLeftG; {
	case left != nil && *left >= need:
		return fmt.Sprintf("; the spool has %.0f g left: enough", *left)
	case left != nil && q.SpoolG > 0:
		return fmt.Sprintf("; the spool has %.0f g left: bring %s", *left, wording.Count(int(math.Ceil((need-*left)/q.SpoolG)), "full spool"))
	case left != nil:
		return fmt.Sprintf("; the spool has %.0f g left: not enough", *left)
	case q.SpoolG > 0:
		return "; " + wording.Count(int(math.Ceil(need/q.SpoolG)), "full spool")
	}
	return ""
}
