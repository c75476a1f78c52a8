package ledger

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"
)

func ids(alerts []Alert) (out []string) {
	for _, a := range alerts {
		out = append(out, a.ID)
	}
	return out
}

func TestOutboxTriesUntilDelivered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx := context.Background()
		path := filepath.Join(t.TempDir(), "ledger.db")
		l, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for n := range 3 {
			commit(t, l, AlertQueued{Alert{ID: fmt.Sprint("a", n), Kind: "hold"}})
		}
		pending := func(receiver string) []string { return ids(must(l.PendingAlerts(ctx, receiver, time.Now(), 10))(t)) }
		same(t, "at first", pending("webhook"), []string{"a0", "a1", "a2"})
		same(t, "limited", ids(must(l.PendingAlerts(ctx, "webhook", time.Now(), 2))(t)), []string{"a0", "a1"})
		commit(t, l, AlertTried{ID: "a0", Receiver: "webhook", Err: "connection refused", NextTry: time.Now().Add(time.Minute)},
			AlertDelivered{ID: "a1", Receiver: "webhook"})
		same(t, "while waiting", pending("webhook"), []string{"a2"})
		same(t, "for another receiver", pending("mail"), []string{"a0", "a1", "a2"})
		time.Sleep(time.Minute)
		same(t, "a minute later", pending("webhook"), []string{"a0", "a2"})
		commit(t, l, AlertTried{ID: "a0", Receiver: "webhook", Err: "timed out", NextTry: time.Now().Add(time.Hour)})
		same(t, "the queue", must(l.AlertQueue(ctx))(t), []Receiver{{Name: "mail", Pending: 3},
			{Name: "webhook", Pending: 2, Failing: 1, Delivered: 1, LastError: "timed out"}})
		checkAndClose(t, l)

		// After a restart the hour of waiting means nothing, what was delivered stays so, and a receiver that is new does
		// not hear of the past.
		if l, err = Open(path, Options{}); err != nil {
			t.Fatal(err)
		}
		again := must(l.PendingAlerts(ctx, "webhook", time.Now(), 10))(t)
		same(t, "after a restart", ids(again), []string{"a0", "a2"})
		same(t, "tries", again[0].Tries, 2)
		commit(t, l, AlertQueued{Alert{ID: "a3", Kind: "hold"}})
		same(t, "for a new receiver", pending("push"), []string{"a3"})
		checkAndClose(t, l)
	})
}

func TestFiftyVirtualHoursOnAFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, err := Open(filepath.Join(t.TempDir(), "ledger.db"), Options{})
		if err != nil {
			t.Fatal(err)
		}
		ctx := context.Background()
		done := make(chan int64)
		for writer := range int64(4) { // commits take their turn without stopping virtual time
			go func() {
				for range 50 {
					time.Sleep(time.Hour)
					if err := l.Commit(ctx, EventNoted{"note", ""}); err != nil {
						t.Error(err)
					}
					if _, err := l.Belt(ctx); err != nil {
						t.Error(err)
					}
				}
				done <- writer
			}()
		}
		for range 4 {
			<-done
		}
		events := must(l.Events(ctx, 0, 0))(t)
		if last := events[len(events)-1].Stamp; len(events) != 200 || last.SinceStart != 50*time.Hour {
			t.Errorf("%d events, the last %s after the start", len(events), last.SinceStart)
		}
		checkAndClose(t, l)
	})
}

// What AlertQueue keeps of its last answer is never older than a commit that has returned, and is the caller's to change.
func TestTheQueueIsNeverStale(t *testing.T) {
	l := newLedger(t)
	ctx := context.Background()
	commit(t, l, AlertQueued{Alert{ID: "a", Kind: "hold"}})
	must(l.PendingAlerts(ctx, "webhook", time.Now(), 1))(t) // enters the receiver
	for n, step := range []struct {
		records []Record
		want    Receiver
	}{
		{nil, Receiver{Name: "webhook", Pending: 1}},
		{[]Record{BeltMoved{Belt{TravelMM: 1}}}, Receiver{Name: "webhook", Pending: 1}},
		{[]Record{BeltMoved{Belt{TravelMM: 2}}, AlertTried{ID: "a", Receiver: "webhook", Err: "timed out"}},
			Receiver{Name: "webhook", Pending: 1, Failing: 1, LastError: "timed out"}},
		{[]Record{AlertDelivered{ID: "a", Receiver: "webhook"}}, Receiver{Name: "webhook", Delivered: 1}},
	} {
		commit(t, l, step.records...)
		for range 2 {
			got := must(l.AlertQueue(ctx))(t)
			if len(got) != 1 {
				t.Fatalf("step %d: %v", n, got)
			}
			got[0].Oldest = Stamp{}
			same(t, fmt.Sprint("step ", n), got[0], step.want)
			got[0].Pending = 99
		}
	}
	must(l.PendingAlerts(ctx, "mail", time.Now(), 1))(t)
	same(t, "receivers", len(must(l.AlertQueue(ctx))(t)), 2)
}
