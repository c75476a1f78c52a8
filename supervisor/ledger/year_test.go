package ledger

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"testing/synctest"
	"time"
)

// heavy writes days of a machine that makes a part every 20 minutes around the clock, with
// a position of the belt every 30 seconds, a visit every dozen parts, a lot every two days,
// and what the alerts of it leave in the outbox. after is called at the end of each day.
func heavy(w *workshop, days int, after func(day int)) {
	w.t.Helper()
	const perDay, perLot, perVisit, positions = 72, 144, 12, 40
	made := 0
	for day := range days {
		for n := range perDay {
			lot := int64(made/perLot) + 1
			var records []Record
			if made%perLot == 0 {
				if lot > 1 {
					records = append(records, LotChanged{LotID: lot - 1, Status: LotClosed})
				}
				records = append(records, Responded{What: "lot", By: "kim"}, LotOpened{clips(lot, perLot)}, EventNoted{"lot", "opened"}, StateChanged{"Starting", ""}, StateChanged{"Execute", ""})
			}
			seq := w.ids.Cycle
			w.ids.Cycle++
			records = append(records, CycleBegun{Seq: seq, LotID: lot, Ordinal: made%perLot + 1, EndNumber: seq, Belt: w.belt})
			for range positions {
				w.belt.TravelMM += 40
				records = append(records, BeltMoved{w.belt})
			}
			w.belt.AdvanceMM += 40
			records = append(records, PartLaid{seq, w.belt.AdvanceMM, w.belt.AdvanceMM + 30}, CycleMade{Seq: seq, Belt: w.belt, FilamentMM: 700, MachineTime: 18 * time.Minute, Evidence: EvidenceConfirmed},
				CycleDischarged{Seq: seq, Belt: w.belt})
			made++
			if made%perVisit == 0 {
				h := w.ids.Hold
				w.ids.Hold++
				c := w.ids.Check
				w.ids.Check++
				id := fmt.Sprintf("h-%d", h)
				records = append(records, StateChanged{"Holding", "a check is due"}, HoldBegun{ID: h, LotID: lot, State: "Held", Reason: "check_parts", AtPart: made % perLot, TravelMM: w.belt.TravelMM},
					AlertQueued{Alert{ID: id, Kind: "check_parts", State: "Held", LotID: lot, Text: "12 parts since the last check; one is due every 12",
						Payload: fmt.Appendf(nil, `{"id":%q,"machine":"clip press","state":"Held","advice":"read the lateral offset, look at the parts","lot":{"id":%d,"good":12,"ordered":144}}`, id, lot)}},
					StateChanged{"Held", "a check is due"}, AlertDelivered{ID: id, Receiver: "phone"}, AlertTried{ID: id, Receiver: "mail", Err: "the mail server has not answered within 30s"}, AlertDelivered{ID: id, Receiver: "mail"},
					Responded{What: "check", By: "kim"}, CheckRecorded{Check{ID: c, LotID: lot, Good: perVisit, OffsetMM: of(0.1), LengthsMM: []float64{20.02, 19.98}, TravelMM: w.belt.TravelMM, CyclesMade: made % perLot, By: "kim"}},
					Responded{What: "unhold", By: "kim"}, HoldEnded{ID: h, How: "unhold", By: "kim"}, StateChanged{"Unholding", ""}, StateChanged{"Execute", ""})
			}
			if n%24 == 0 {
				records = append(records, EventNoted{"link", "the board did not answer for a while"}, HeatLearned{"by-id/belt", HeaterBed, []byte(fmt.Sprintf(`{"n":%d,"ambient_c":21.5}`, seq))})
			}
			w.commit(records...)
			time.Sleep(20 * time.Minute)
		}
		after(day + 1)
	}
}

func fileBytes(t testing.TB, path string) (n int64) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	return info.Size()
}

func backupBytes(t testing.TB, l *Ledger) int64 {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy.db")
	if err := l.Backup(context.Background(), to); err != nil {
		t.Fatal(err)
	}
	return fileBytes(t, to)
}

// TestYear fills a ledger with a year of heavy use: how large it becomes, with and without
// what is old being removed, and for how long that keeps a commit of the run waiting.
func TestYear(t *testing.T) {
	if os.Getenv("BELTWARDEN_YEAR") == "" {
		t.Skip("BELTWARDEN_YEAR=1 fills a ledger with a year, and takes some minutes")
	}
	ctx, dir := context.Background(), t.TempDir()
	whole := filepath.Join(dir, "whole.db")
	for _, path := range []string{filepath.Join(dir, "trimmed.db"), whole} {
		synctest.Test(t, func(t *testing.T) {
			l, err := Open(path, Options{})
			if err != nil {
				t.Fatal(err)
			}
			w := &workshop{t: t, l: l, r: rand.New(rand.NewPCG(1, 1)), ids: NextIDs{Cycle: 1, Hold: 1, Check: 1}, belt: Belt{Known: true}}
			removed := 0
			heavy(w, yearDays(), func(day int) {
				if path != whole {
					done, err := l.Trim(ctx, Retention{Before: time.Now().AddDate(0, 0, -90), Newest: 50_000, Receivers: []string{"phone", "mail"}})
					if err != nil {
						t.Fatal(err)
					}
					removed += done.Rows()
				}
				if slices.Contains([]int{30, 90, 180, 270, 365}, day) {
					t.Logf("%s, day %d: %.1f MB, a copy %.1f MB, %d rows removed so far", filepath.Base(path), day, float64(fileBytes(t, path))/1e6, float64(backupBytes(t, l))/1e6, removed)
				}
			})
			checkAndClose(t, l)
		})
	}
	l := open(t, whole, Options{})
	belt := must(l.Belt(ctx))(t)
	measure := func(stop <-chan struct{}) (waits []time.Duration) {
		for {
			begun := time.Now()
			commit(t, l, BeltMoved{belt})
			waits = append(waits, time.Since(begun))
			select {
			case <-stop:
				slices.Sort(waits)
				return waits
			case <-time.After(20 * time.Millisecond):
			}
		}
	}
	alone := make(chan struct{})
	time.AfterFunc(10*time.Second, func() { close(alone) })
	quiet := measure(alone)
	stop, waits := make(chan struct{}), make(chan []time.Duration)
	go func() { waits <- measure(stop) }()
	begun := time.Now()
	done, err := l.Trim(ctx, Retention{Before: time.Now().AddDate(0, 0, -90), Newest: 50_000, Receivers: []string{"phone", "mail"}, Pause: 5 * time.Millisecond})
	close(stop)
	busy := <-waits
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("removing a year at once: %d rows in %s, longest transaction %s: %+v", done.Rows(), time.Since(begun).Round(time.Second), done.Longest.Round(time.Millisecond), done)
	at := func(list []time.Duration, share float64) time.Duration {
		return list[int(share*float64(len(list)-1))].Round(100 * time.Microsecond)
	}
	t.Logf("a commit of the run meanwhile: half within %s, 99 %% within %s, the longest %s, of %d; without it %s, %s, %s", at(busy, 0.5), at(busy, 0.99), at(busy, 1), len(busy), at(quiet, 0.5), at(quiet, 0.99), at(quiet, 1))
	if worst := at(busy, 1); worst > 2*time.Second {
		t.Errorf("a commit waited for %s", worst)
	}
	before := fileBytes(t, whole)
	t.Logf("the file keeps its %.1f MB, a copy has %.1f MB", float64(before)/1e6, float64(backupBytes(t, l))/1e6)
	for range 20_000 {
		belt.TravelMM++
		if err := l.Commit(ctx, BeltMoved{belt}); err != nil {
			t.Fatal(err)
		}
	}
	if now := fileBytes(t, whole); now > before {
		t.Errorf("room inside the file is not used again: it grew from %d to %d bytes", before, now)
	}
}

// yearDays is the length of the year.
func yearDays() int {
	if n, err := strconv.Atoi(os.Getenv("BELTWARDEN_YEAR")); err == nil && n > 1 {
		return n
	}
	return 365
}
