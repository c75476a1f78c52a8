package ledger

import (
	"bytes"
	"context"
	"errors"
	"math"
	"strings"
	"testing"
)

func export(t testing.TB, l *Ledger) string {
	t.Helper()
	var b bytes.Buffer
	if err := l.Export(context.Background(), &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Each refusal is tried behind a legal record: neither may leave a trace.
func TestIllegalRecordsAreRefusedWhole(t *testing.T) {
	begun := func(seq int64, ordinal int) Record { return CycleBegun{Seq: seq, LotID: 1, Ordinal: ordinal} }
	made := func(seq int64) Record { return CycleMade{Seq: seq, Evidence: EvidenceConfirmed} }
	lost := func(seq int64) Record { return CycleInterrupted{Seq: seq, Reason: "link lost"} }
	check := func(id, corrects int64, good int) Record {
		return CheckRecorded{Check{ID: id, LotID: 1, Good: good, Corrects: corrects}}
	}
	lot := LotOpened{clips(1, 5)}
	for name, c := range map[string]struct {
		before []Record
		bad    Record
		want   error
		words  string
	}{
		"made before begun":          {[]Record{lot}, made(1), ErrIllegal, "cycle 1 was never begun"},
		"discharged before made":     {[]Record{lot, begun(1, 1)}, CycleDischarged{Seq: 1}, ErrIllegal, "cycle 1 is begun"},
		"decided before interrupted": {[]Record{lot, begun(1, 1)}, CycleDecided{Seq: 1}, ErrIllegal, "from begun to made"},
		"made twice":                 {[]Record{lot, begun(1, 1), made(1)}, made(1), ErrIllegal, "cycle 1 is made"},
		"interrupted after made":     {[]Record{lot, begun(1, 1), made(1)}, lost(1), ErrIllegal, "cycle 1 is made"},
		"made after interrupted":     {[]Record{lot, begun(1, 1), lost(1)}, made(1), ErrIllegal, "cycle 1 is interrupted"},
		"discharged after interrupted": {[]Record{lot, begun(1, 1), lost(1)}, CycleDischarged{Seq: 1}, ErrIllegal,
			"cycle 1 is interrupted"},
		"discharged twice": {[]Record{lot, begun(1, 1), made(1), CycleDischarged{Seq: 1}}, CycleDischarged{Seq: 1}, ErrIllegal,
			"cycle 1 is discharged"},
		"decided after made": {[]Record{lot, begun(1, 1), made(1)}, CycleDecided{Seq: 1}, ErrIllegal, "cycle 1 is made"},
		"decided twice": {[]Record{lot, begun(1, 1), lost(1), CycleDecided{Seq: 1}}, CycleDecided{Seq: 1, Good: true}, ErrIllegal,
			"cycle 1 is decided"},
		"begun twice":         {[]Record{lot, begun(1, 1), made(1)}, begun(1, 2), ErrIllegal, "only grow"},
		"begun over another":  {[]Record{lot, begun(1, 1)}, begun(2, 2), ErrIllegal, "another cycle is begun"},
		"ordinal skipped":     {[]Record{lot, begun(1, 1), made(1)}, begun(2, 3), ErrIllegal, "ordinal"},
		"begun without a lot": {nil, begun(1, 1), ErrIllegal, "there is no lot 1"},
		"begun without a job": {[]Record{lot}, CycleBegun{Seq: 1, LotID: 1, JobIndex: 1, Ordinal: 1}, ErrIllegal, "no job 1"},
		"begun on an ended lot": {[]Record{lot, LotChanged{LotID: 1, Status: LotEnded}}, begun(1, 1), ErrIllegal,
			"closed or ended"},
		"ended lot reopened": {[]Record{lot, LotChanged{LotID: 1, Status: LotEnded}}, LotChanged{LotID: 1, Status: LotOpen},
			ErrIllegal, "already closed or ended"},
		"unknown lot changed":  {nil, LotChanged{LotID: 8, Status: LotMade}, ErrIllegal, "no lot 8"},
		"lot opened twice":     {[]Record{lot}, lot, ErrIllegal, "lot numbers only grow"},
		"hold begun twice":     {[]Record{hold(1)}, hold(1), ErrIllegal, "hold numbers only grow"},
		"hold ended twice":     {[]Record{hold(1), HoldEnded{ID: 1}}, HoldEnded{ID: 1}, ErrIllegal, "already ended"},
		"unknown hold ended":   {nil, HoldEnded{ID: 1}, ErrIllegal, "no hold 1"},
		"decided by no check":  {[]Record{lot, begun(1, 1), lost(1)}, CycleDecided{Seq: 1, CheckID: 5}, ErrIllegal, "no check 5"},
		"more than were made":  {[]Record{lot, begun(1, 1), made(1), check(1, 0, 1)}, check(2, 0, 1), ErrTooMany, "2 good and 0 scrap, but 1"},
		"a running part":       {[]Record{lot, begun(1, 1)}, check(1, 0, 1), ErrTooMany, "0 parts were made"},
		"an interrupted part":  {[]Record{lot, begun(1, 1), lost(1)}, check(1, 0, 1), ErrTooMany, "0 parts were made"},
		"corrected to many":    {[]Record{lot, begun(1, 1), made(1), check(1, 0, 1)}, check(2, 1, 2), ErrTooMany, "2 good"},
		"corrected twice":      {[]Record{lot, check(1, 0, 0), check(2, 1, 0)}, check(3, 1, 0), ErrIllegal, "by check 2: correct that one"},
		"corrects nothing":     {[]Record{lot}, check(3, 2, 0), ErrIllegal, "check 2, which is not there"},
		"corrects another lot": {[]Record{lot, CheckRecorded{Check{ID: 1}}}, check(3, 1, 0), ErrIllegal, "belongs to lot 0"},
		"alert reused": {[]Record{AlertQueued{Alert{ID: "a", Kind: "hold"}}}, AlertQueued{Alert{ID: "a", Kind: "fault"}}, ErrIllegal,
			"another matter"},
		"unknown alert tried": {nil, AlertTried{ID: "a", Receiver: "w"}, ErrIllegal, `no alert "a"`},
		"delivered twice": {[]Record{AlertQueued{Alert{ID: "a", Kind: "hold"}}, AlertDelivered{ID: "a", Receiver: "w"}}, AlertDelivered{ID: "a", Receiver: "w"},
			ErrIllegal, "already been delivered"},
		"negative good": {[]Record{lot}, CheckRecorded{Check{ID: 1, LotID: 1, Good: -1}}, ErrInvalid, "Good is -1"},
		"parts without a lot": {nil, CheckRecorded{Check{ID: 1, Scrap: map[string]int{"bent": 1}}}, ErrInvalid,
			"without a lot"},
		"offset is no number": {[]Record{lot}, CheckRecorded{Check{ID: 1, LotID: 1, OffsetMM: of(math.NaN())}}, ErrInvalid, "OffsetMM is NaN"},
		"belt is no number":   {nil, BeltMoved{Belt{TravelMM: math.Inf(1)}}, ErrInvalid, "TravelMM is +Inf"},
		"unknown evidence":    {[]Record{lot, begun(1, 1)}, CycleMade{Seq: 1, Evidence: "hope"}, ErrInvalid, "Evidence"},
		"payload is no JSON":  {nil, AlertQueued{Alert{ID: "a", Kind: "hold", Payload: []byte("{")}}, ErrInvalid, "Payload"},
		"nil":                 {nil, nil, ErrInvalid, "is nil"},
	} {
		t.Run(name, func(t *testing.T) {
			l := open(t, "refusals", Options{Memory: true})
			for _, r := range c.before {
				commit(t, l, r)
			}
			was := export(t, l)
			err := l.Commit(context.Background(), EventNoted{"note", "rides along"}, c.bad)
			if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.words) {
				t.Errorf("got %v, want %v with %q", err, c.want, c.words)
			}
			if strings.Contains(err.Error(), "constraint failed") {
				t.Errorf("%v speaks of the database", err)
			}
			if now := export(t, l); now != was {
				t.Errorf("a refused commit left a trace:\n%s\nwas\n%s", now, was)
			}
		})
	}
}

func hold(id int64) Record { return HoldBegun{ID: id, State: "Held", Reason: "check-due"} }

func TestEveryFaultIsNamedAtOnce(t *testing.T) {
	l := newLedger(t)
	err := l.Commit(context.Background(), LotOpened{Lot{}}, CycleMade{FilamentMM: math.NaN(), MachineTime: -1})
	for _, want := range []string{"ID is 0", "Order is", "Jobs is empty", "Seq is 0", "FilamentMM is NaN", "MachineTime is -1ns",
		"Evidence is", "record 2 of 2"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not in:\n%v", want, err)
		}
	}
}

func TestQueueingAnAlertAgainChangesNothing(t *testing.T) {
	l := newLedger(t)
	a := Alert{ID: "hold-1", Kind: "hold", State: "Held", Reason: "check-due", Text: "first words"}
	commit(t, l, AlertQueued{a})
	was := export(t, l)
	a.Text = "other words"
	commit(t, l, AlertQueued{a})
	if now := export(t, l); now != was {
		t.Errorf("now\n%s\nwas\n%s", now, was)
	}
}

// Another file system is reached by the driver's name alone; two ledgers of one name are then one store.
func TestDSNReplacesTheFile(t *testing.T) {
	o := Options{DSN: "file:workshop?mode=memory&cache=shared"}
	l := open(t, "elsewhere", o)
	commit(t, l, LotOpened{clips(1, 5)})
	beside := open(t, "elsewhere", o)
	if lots := must(beside.Lots(context.Background()))(t); len(lots) != 1 {
		t.Errorf("the second sees %d lots", len(lots))
	}
	if _, err := l.conn.ExecContext(context.Background(), "PRAGMA user_version = 99"); err != nil {
		t.Fatal(err)
	}
	if _, err := Open("elsewhere", o); !errors.Is(err, ErrNewer) {
		t.Errorf("a newer store gives %v", err)
	}
}
