package ledger

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// workshop writes what a workshop's ledger comes to hold over many days, in virtual time.
type workshop struct {
	t        testing.TB
	path     string
	l        *Ledger
	r        *rand.Rand
	ids      NextIDs
	belt     Belt
	alerts   int
	progress int // records of the belt's position in a part
}

func (w *workshop) commit(r ...Record) { w.t.Helper(); commit(w.t, w.l, r...) }

// alert raises one, of which phone hears at once, mail at the second try, and a receiver
// that is no longer configured never.
func (w *workshop) alert(lot int64) {
	w.alerts++
	id := fmt.Sprintf("a-%d", w.alerts)
	w.commit(AlertQueued{Alert{ID: id, Kind: "check_parts", State: "Held", LotID: lot, Payload: json.RawMessage(`{"text":"come and look"}`)}})
	w.commit(AlertDelivered{ID: id, Receiver: "phone"}, AlertTried{ID: id, Receiver: "mail", Err: "refused", NextTry: time.Now()})
	w.commit(AlertTried{ID: id, Receiver: "gone", Err: "no such host", NextTry: time.Now().Add(time.Hour)})
	time.Sleep(time.Minute)
	w.commit(AlertDelivered{ID: id, Receiver: "mail", How: []string{HowSent, HowUnneeded}[w.alerts%2]})
}

func (w *workshop) restart() {
	w.t.Helper()
	if err := w.l.Close(); err != nil {
		w.t.Fatal(err)
	}
	time.Sleep(time.Minute)
	w.l = open(w.t, w.path, Options{})
}

// lot makes one of so many parts, with a restart in the middle of some.
func (w *workshop) lot(good int) {
	w.commit(BoardSeen{Port: "by-id/belt", Firmware: "x", StepsPerMM: 80}, StateChanged{"Resetting", ""})
	w.commit(StateChanged{"Idle", ""})
	id := w.ids.Lot
	w.ids.Lot++
	w.commit(Responded{What: "lot", By: "kim"}, LotOpened{clips(id, good)}, EventNoted{"lot", fmt.Sprintf("lot %d opened", id)}, StateChanged{"Starting", ""})
	w.commit(StateChanged{"Execute", ""})
	made := 0
	for n := range good {
		seq := w.ids.Cycle
		w.ids.Cycle++
		w.commit(CycleBegun{Seq: seq, LotID: id, Ordinal: n + 1, EndNumber: seq, Belt: w.belt})
		for range w.progress {
			time.Sleep(30 * time.Second)
			w.belt.TravelMM += 100
			switch w.r.IntN(10) {
			case 0:
				w.belt.UncertainMM += 3
			case 1:
				w.belt.UncertainMM = 0 // the belt was realigned
			}
			w.commit(BeltMoved{w.belt})
		}
		if w.r.IntN(8) == 0 {
			w.restart()
			w.commit(StateChanged{"Aborting", "restart"}, EventNoted{"recovery", "the daemon ended"}, CycleInterrupted{Seq: seq, Belt: w.belt, Reason: "restart"},
				CycleDecided{Seq: seq, Good: true})
			w.commit(StateChanged{"Execute", ""})
			continue
		}
		if w.r.IntN(12) == 0 {
			w.commit(EventNoted{"link", "it hung for a while"}, HeatLearned{"by-id/belt", []string{HeaterBed, HeaterNozzle}[n%2], json.RawMessage(fmt.Sprintf(`{"n":%d}`, seq))})
		}
		w.belt.TravelMM, w.belt.AdvanceMM = w.belt.TravelMM+50, w.belt.AdvanceMM+60
		w.commit(PartLaid{seq, w.belt.AdvanceMM, w.belt.AdvanceMM + 30}, CycleMade{Seq: seq, Belt: w.belt, FilamentMM: 700, MachineTime: time.Minute, Evidence: EvidenceConfirmed})
		w.commit(CycleDischarged{Seq: seq, Belt: w.belt})
		made++
	}
	h := w.ids.Hold
	w.ids.Hold++
	w.commit(HoldBegun{ID: h, LotID: id, State: "Held", Reason: "check_parts", AtPart: good, TravelMM: w.belt.TravelMM}, StateChanged{"Held", "a check is due"})
	w.alert(id)
	time.Sleep(20 * time.Minute)
	c := w.ids.Check
	w.ids.Check++
	w.commit(Responded{What: "check", By: "kim"}, CheckRecorded{Check{ID: c, LotID: id, Good: made, OffsetMM: of(0.1), TravelMM: w.belt.TravelMM, CyclesMade: made, By: "kim"}},
		HoldEnded{ID: h, How: "unhold", By: "kim"}, LotChanged{LotID: id, Status: LotClosed}, StateChanged{"Complete", ""}, BeltMoved{w.belt})
}

// readable is everything that reports, screens and the next start read, as text.
func readable(t testing.TB, l *Ledger) map[string]string {
	t.Helper()
	ctx, all := context.Background(), map[string]string{}
	put := func(name string, v any, err error) {
		t.Helper()
		text, jerr := json.Marshal(v)
		if err = errors.Join(err, jerr); err != nil {
			t.Fatal(err)
		}
		all[name] = string(text)
	}
	lots, err := l.Lots(ctx)
	put("lots", lots, err)
	events, err := l.Events(ctx, 0, -1)
	for _, lot := range lots {
		id := func(what string) string { return fmt.Sprintf("%s of lot %d", what, lot.ID) }
		var mine []Event
		for _, e := range events {
			if e.Stamp.Seq > lot.Opened.Seq-1 && (lot.Status == LotOpen || e.Stamp.Seq <= lot.Changed.Seq) {
				mine = append(mine, e)
			}
		}
		put(id("events"), mine, err)
		counts, err := l.Counts(ctx, lot.ID)
		put(id("counts"), counts, err)
		cycles, err := l.Cycles(ctx, lot.ID)
		put(id("cycles"), cycles, err)
		holds, err := l.Holds(ctx, lot.ID)
		put(id("holds"), holds, err)
		checks, err := l.Checks(ctx, lot.ID, 0)
		put(id("checks"), checks, err)
		times, err := l.Times(ctx, lot.ID)
		put(id("times"), times, err)
		course, err := l.Course(ctx, lot.ID)
		put(id("course"), course, err)
	}
	belt, err := l.Belt(ctx)
	put("belt", belt, err)
	last, err := l.LastState(ctx)
	put("last state", last, err)
	board, err := l.Board(ctx, "by-id/belt")
	put("board", board, err)
	heat, err := l.Heat(ctx, "by-id/belt")
	put("heat", heat, err)
	var history []Entry
	err = l.History(ctx, "by-id/belt", func(p Entry) { history = append(history, p) })
	put("history", history, err)
	acted, err := l.LastResponse(ctx)
	put("last response", acted, err)
	next, err := l.NextIDs(ctx)
	put("next numbers", next, err)
	boots, err := l.Boots(ctx)
	put("starts", boots, err)
	for _, name := range []string{"phone", "mail"} {
		waiting, err := l.PendingAlerts(ctx, name, time.Now().Add(24*time.Hour), 0)
		put("waiting for "+name, waiting, err)
		sent, err := l.Sent(ctx, name, 1)
		put("last sent to "+name, sent, err)
	}
	queue, err := l.AlertQueue(ctx)
	for _, q := range queue {
		if q.Name != "gone" {
			put("receiver "+q.Name, q, err)
		}
	}
	return all
}

// TestWhatIsOldGoesAndWhatCountsStays: ten weeks of lots with restarts, faults and alerts
// is trimmed, twice, the ledger being read and written on meanwhile. All that reports and
// starts read is as before; totals do not fall; Check finds nothing; and once more removes
// nothing.
func TestWhatIsOldGoesAndWhatCountsStays(t *testing.T) {
	if underRace || testing.Short() {
		t.Skip("one goroutine does it all, so that the race detector only takes its time")
	}
	for seed := range uint64(2) {
		synctest.Test(t, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "ledger.db")
			w := &workshop{t: t, path: path, r: rand.New(rand.NewPCG(seed, 1)), progress: 6, ids: NextIDs{Lot: 1, Cycle: 1, Hold: 1, Check: 1}, belt: Belt{Known: true}}
			w.l = open(t, path, Options{})
			for day := range 70 {
				for range w.r.IntN(3) {
					w.lot(1 + w.r.IntN(4))
				}
				w.commit(EventNoted{[]string{"link", "board", "override"}[day%3], "between the lots"}, StateChanged{"Stopped", "by hand"}, BeltMoved{w.belt})
				for range 3 { // a trial
					w.belt.TravelMM += 7
					w.commit(BeltMoved{w.belt})
				}
				if w.r.IntN(4) == 0 {
					w.restart()
					w.commit(StateChanged{"Aborting", "restart"}, EventNoted{"recovery", "the daemon ended"})
				}
				w.alert(0)
				time.Sleep(time.Duration(w.r.IntN(20)) * time.Hour)
			}
			id := "waits"
			w.commit(AlertQueued{Alert{ID: id, Kind: "link"}}, AlertDelivered{ID: id, Receiver: "phone"}, AlertTried{ID: id, Receiver: "mail", Err: "refused"}, EventNoted{"note", "long ago"})
			w.alert(0) // so that the one that waits is not the last that was sent
			w.alert(0)
			w.commit(LotOpened{clips(w.ids.Lot, 5)}, EventNoted{"lot", "the last lot is open"})
			for range 340 {
				w.commit(BeltMoved{w.belt}, EventNoted{"pad", "new"}, StateChanged{"Execute", "pad"})
			}
			time.Sleep(100 * 24 * time.Hour)
			before, entries := readable(t, w.l), rows(t, path)
			ctx := context.Background()
			keep := Retention{Before: time.Now().Add(-90 * 24 * time.Hour), Receivers: []string{"phone", "mail"}, Pause: time.Second}
			done, err := w.l.Trim(ctx, keep)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(before, readable(t, w.l)); diff != "" {
				t.Errorf("something else is read: %s", diff)
			}
			if problems := must(w.l.Check(ctx))(t); len(problems) > 0 {
				t.Errorf("%q", problems)
			}
			now := rows(t, path)
			if done.Progress == 0 || done.Alerts == 0 || done.Attempts == 0 || done.Responses == 0 || done.Events == 0 || done.States == 0 || done.Boards == 0 || done.Heat == 0 {
				t.Errorf("not everything was trimmed: %+v", done)
			}
			if got := entries["entry"] - now["entry"]; got != done.Rows() {
				t.Errorf("%d entries are gone, %d are reported", got, done.Rows())
			}
			for _, table := range []string{"lot", "lot_change", "cycle", "visit", "hold", "alteration", "boot", "laid"} {
				if now[table] != entries[table] {
					t.Errorf("table %s had %d rows and has %d", table, entries[table], now[table])
				}
			}
			if now["alert"] > entries["alert"]/10 || now["belt"] > entries["belt"]*6/10 {
				t.Errorf("much is left: %v of %v", now, entries)
			}
			if events := must(w.l.TrimmedEvents(ctx))(t); events["override"] > 0 || events["link"]+events["board"]+events["note"] != done.Events {
				t.Errorf("events removed by kind: %v, all %d", events, done.Events)
			}
			if again := must(w.l.Trim(ctx, keep))(t); again.Rows() != 0 {
				t.Errorf("once more it removes %+v", again)
			}
			w.commit(LotChanged{LotID: w.ids.Lot, Status: LotEnded})
			if seed == 0 {
				t.Logf("%d entries, %d left: %+v", entries["entry"], now["entry"], done)
			}
		})
	}
}

// TestAWrongClockRemovesNothingNew: with a clock years ahead the newest entries stay.
func TestAWrongClockRemovesNothingNew(t *testing.T) {
	l := newLedger(t)
	ctx := context.Background()
	for n := range 300 {
		commit(t, l, EventNoted{"note", fmt.Sprint(n)}, BeltMoved{Belt{Known: true}}, StateChanged{"Idle", ""}, Responded{What: "check", By: "kim"})
	}
	done := must(l.Trim(ctx, Retention{Before: time.Now().AddDate(30, 0, 0), Newest: 5}))(t)
	if left := len(must(l.Events(ctx, 0, 0))(t)); left != 250 || done.Events != 50 {
		t.Errorf("%d events are left, %+v", left, done)
	}
}

// TestAGapThatTrimDidNotMake is found, before and after the entry up to which it removed.
func TestAGapThatTrimDidNotMake(t *testing.T) {
	ctx := context.Background()
	for _, seq := range []int{100, 1300} {
		path := filepath.Join(t.TempDir(), "ledger.db")
		l, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for n := range 700 {
			commit(t, l, EventNoted{"note", fmt.Sprint(n)}, EventNoted{"override", fmt.Sprint(n)})
		}
		if done := must(l.Trim(ctx, Retention{Before: time.Now().Add(time.Hour)}))(t); done.Events != 200 {
			t.Fatalf("%+v", done)
		}
		if problems := must(l.Check(ctx))(t); len(problems) > 0 {
			t.Fatalf("%q", problems)
		}
		if err := l.remove(ctx, trimClass{count: new(int), details: "DELETE FROM event WHERE seq IN (SELECT value FROM json_each(?))"}, []int64{int64(seq)}, new(Trimmed)); err != nil {
			t.Fatal(err)
		}
		// Undo what it says of itself, as damage would leave it.
		if err := l.write(ctx, func(x *txn) error { return x.exec("UPDATE trimmed SET entries = 200, up_to = 399") }); err != nil {
			t.Fatal(err)
		}
		want := map[int]string{100: "more or fewer entries are missing", 1300: "the journal has a gap"}[seq]
		if problems := must(l.Check(ctx))(t); len(problems) != 1 || !strings.Contains(problems[0], want) {
			t.Errorf("an entry %d is missing, and Check says %q", seq, problems)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestPlacesOfPartsLongGone: as many stay as count for the belt's wear.
func TestPlacesOfPartsLongGone(t *testing.T) {
	if underRace || testing.Short() {
		t.Skip("one goroutine does it all, so that the race detector only takes its time")
	}
	l := newLedger(t)
	ctx := context.Background()
	records := []Record{LotOpened{clips(1, laidKept+100)}}
	for n := int64(1); n <= laidKept+100; n++ {
		records = append(records, CycleBegun{Seq: n, LotID: 1, Ordinal: int(n)}, PartLaid{n, 0, 30}, CycleMade{Seq: n, Evidence: EvidenceConfirmed}, CycleDischarged{Seq: n})
	}
	commit(t, l, records...)
	before := readable(t, l)
	done := must(l.Trim(ctx, Retention{Before: time.Now().Add(time.Hour)}))(t)
	if done.Laid != 100 || done.Rows() != 100 {
		t.Errorf("%+v", done)
	}
	if diff := cmp.Diff(before, readable(t, l)); diff != "" {
		t.Errorf("something else is read: %s", diff)
	}
}

// TestALongReaderLeavesNoLongLog: while somebody reads, what is committed piles up in the
// log beside the file; afterwards the disk has it back.
func TestALongReaderLeavesNoLongLog(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := open(t, path, Options{})
	commit(t, l, EventNoted{"note", "first"})
	reads, release, done := make(chan struct{}), make(chan struct{}), make(chan error)
	go func() {
		done <- l.view(context.Background(), "slowly", func(q querier) error {
			var n int
			err := q.QueryRowContext(context.Background(), "SELECT count(*) FROM event").Scan(&n)
			close(reads)
			<-release
			return err
		})
	}()
	<-reads
	pad := EventNoted{"pad", strings.Repeat("x", 9000)}
	for range 400 {
		commit(t, l, pad, pad, pad, pad)
	}
	if n := fileBytes(t, path+"-wal"); n < 2*logBytes {
		t.Fatalf("the log has %d bytes: too few to show anything", n)
	}
	close(release)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	for range 5 { // what comes next takes it over, and cuts it back
		commit(t, l, pad)
	}
	if n := fileBytes(t, path+"-wal"); n > logBytes {
		t.Errorf("the log still has %d bytes", n)
	}
}
