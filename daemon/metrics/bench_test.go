package metrics

import (
	"context"
	"fmt"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"beltwarden/supervisor/ledger"
)

// kept is a ledger of a season: twenty lots that are done, a lot of 500 pegs in work,
// alerts of every hold, and their events.
func kept(b *testing.B) *ledger.Ledger {
	l, err := ledger.Open(filepath.Join(b.TempDir(), "ledger.db"), ledger.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := l.Close(); err != nil {
			b.Error(err)
		}
	})
	ctx := context.Background()
	for _, receiver := range []string{"phone", "mail"} {
		if _, err := l.PendingAlerts(ctx, receiver, time.Now(), 1); err != nil {
			b.Fatal(err)
		}
	}
	seq := int64(0)
	for lot := int64(1); lot <= 21; lot++ {
		records := []ledger.Record{ledger.LotOpened{Lot: ledger.Lot{ID: lot, Name: "drip-line pegs", Status: ledger.LotOpen, Order: ledger.OrderBlocks,
			Jobs: []ledger.LotJob{{Path: "peg.gcode", SHA256: "ab12", Name: "peg", GoodOrdered: 1000, PlannedRun: time.Minute}}}}}
		for n := range 500 {
			seq++
			records = append(records, ledger.CycleBegun{Seq: seq, LotID: lot, Ordinal: n + 1},
				ledger.CycleMade{Seq: seq, Evidence: ledger.EvidenceConfirmed}, ledger.CycleDischarged{Seq: seq})
			if n%20 == 0 {
				id := fmt.Sprintf("%d-%d", lot, n)
				records = append(records, ledger.EventNoted{Kind: "link", Text: "the board is back"},
					ledger.AlertQueued{Alert: ledger.Alert{ID: id, Kind: "check_parts", State: "Held", Reason: "check_parts", Text: "a check is due"}},
					ledger.AlertDelivered{ID: id, Receiver: "phone"})
				if n > 0 || lot < 21 {
					records = append(records, ledger.AlertDelivered{ID: id, Receiver: "mail"})
				}
			}
		}
		if lot < 21 {
			records = append(records, ledger.LotChanged{LotID: lot, Status: ledger.LotEnded, Reason: "done"})
		}
		if err := l.Commit(ctx, records...); err != nil {
			b.Fatal(err)
		}
	}
	return l
}

// BenchmarkScrape is what a server that asks costs, over the ledger of a season: the
// usual scrape, given as its share of 2 ms too, and the one in so many that reckons the
// figures of production again.
func BenchmarkScrape(b *testing.B) {
	l := kept(b)
	c := busy(b)
	c.o.Ledger, c.o.Receivers = l, []string{"phone", "mail"}
	c.totals.ledger, c.production.ledger, c.events.ledger = l, l, l
	s := c.o.Snapshot()
	s.Lot.ID = 21
	defer c.Close()
	now := s.At
	c.o.Now = func() time.Time { return now }
	h := promhttp.HandlerFor(Registry(c), promhttp.HandlerOpts{})
	for _, k := range []struct {
		name  string
		later time.Duration
	}{{"usual", 0}, {"figures", figuresEvery}} {
		b.Run(k.name, func(b *testing.B) {
			b.ReportAllocs()
			var took []time.Duration
			for b.Loop() {
				now = now.Add(k.later)
				begin := time.Now()
				w := httptest.NewRecorder()
				h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
				took = append(took, time.Since(begin))
				if w.Code != 200 {
					b.Fatal(w.Body.String())
				}
				// The next scrape comes seconds later, when the reckoning is done.
				b.StopTimer()
				settle(c)
				b.StartTimer()
			}
			slices.Sort(took)
			median := took[len(took)/2]
			b.ReportMetric(float64(median.Microseconds()), "µs/median")
			b.ReportMetric(float64(median)/float64(2*time.Millisecond), "of-2ms")
		})
	}
}
