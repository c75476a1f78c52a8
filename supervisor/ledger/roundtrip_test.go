package ledger

import (
	"context"
	"encoding/json"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// plain leaves out what the ledger adds by itself.
var plain = cmp.Options{cmpopts.IgnoreTypes(Stamp{}), cmpopts.EquateApproxTime(0)}

func same(t *testing.T, what string, got, want any) {
	t.Helper()
	if d := cmp.Diff(want, got, plain); d != "" {
		t.Errorf("%s (-want +got):\n%s", what, d)
	}
}

// recorded returns the records of a kind that History tells.
func recorded[R Record](t testing.TB, l *Ledger) (list []R) {
	t.Helper()
	err := l.History(context.Background(), "p", func(p Entry) {
		if r, ok := p.Record.(R); ok {
			list = append(list, r)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func of[T any](v T) *T { return &v }

// must returns the value of a reading method that is expected to work.
func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// fullLot has every field set, and text that is neither ASCII nor tidy.
func fullLot() Lot {
	lot := clips(3, 40)
	lot.Name, lot.Order = "spring order, größe \"L\"", OrderTurn
	lot.Jobs = append(lot.Jobs, LotJob{Index: 1, Path: "/jobs/peg.gcode", SHA256: "00ff", Name: "drip-line peg",
		GoodOrdered: 500, FilamentMMPerCycle: 0.1, BeltTravelMMPerCycle: 1e-9, PitchMM: -31.25, PlannedRun: 91*time.Minute + 1, PlannedWaits: true})
	lot.Alterations = []Alteration{{JobIndex: 0, Kind: Withheld, Line: 12, Text: "G28 Y\x00\xff", Why: "homes the belt"},
		{JobIndex: 1, Kind: Added, Line: 1, Text: "G92 E0", Why: "extruder begins at 0"}}
	lot.Particulars = Particulars{OrderNumber: "4500-17/b", Material: "PETG, grün", MaterialBatch: "A\x00\xff 77"}
	return lot
}

func fullCheck(id int64) Check {
	return Check{ID: id, LotID: 3, At: time.UnixMilli(1_700_000_000_123), JobIndex: of(1), OffsetMM: of(-0.37),
		LengthsMM: []float64{20.1, 19.95}, Scrap: map[string]int{"detached": 0}, Realigned: true, BeltCleared: true,
		SpoolG: of(812.5), BinEmptied: true, Note: "belt wiped", By: "kim", TravelMM: 1234.5, AdvanceMM: -17.25, CyclesMade: 1}
}

func TestEveryRecordIsReadAsWritten(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a dir?", "ledger #1.db")
	l := open(t, path, Options{})
	belt := Belt{TravelMM: 10.1, AdvanceMM: -2.3, SinceRealignMM: 4, SinceCheckMM: 3, UncertainMM: 0.5, Known: true}
	alert := Alert{ID: "hold-4", Kind: "hold", State: "Held", Reason: "check-due", Text: "come", LotID: 3,
		Payload: json.RawMessage(`{"n": 1}`)}
	board := BoardSeen{Port: "/dev/serial/by-id/belt", Firmware: "1.2", Capabilities: map[string]bool{"AUTOREPORT_TEMP": true,
		"EEPROM": false}, StepsPerMM: 93.457943925}
	commit(t, l, LotOpened{fullLot()}, StateChanged{"Execute", "started"})
	commit(t, l, CycleBegun{Seq: 7, LotID: 3, JobIndex: 1, Ordinal: 1, EndNumber: 36657, Belt: belt})
	commit(t, l, CycleMade{Seq: 7, Belt: Belt{TravelMM: 11}, FilamentMM: 734.637, MachineTime: 93*time.Minute + 1,
		Evidence: EvidenceLineNumber}, CycleDischarged{Seq: 7, Belt: Belt{TravelMM: 12}})
	commit(t, l, CycleBegun{Seq: 9, LotID: 3, Ordinal: 2, Belt: belt}, CycleInterrupted{Seq: 9, Reason: "link lost", Belt: belt})
	commit(t, l, CheckRecorded{fullCheck(2)}, CycleDecided{Seq: 9, Good: true, CheckID: 2, Note: "whole"})
	commit(t, l, HoldBegun{ID: 4, LotID: 3, State: "Held", Reason: "check-due", Text: "A check is due.", AtPart: 1, TravelMM: 12},
		AlertQueued{alert}, EventNoted{"link", "The cable was pulled."}, board)
	commit(t, l, HoldEnded{ID: 4, How: "unhold", By: "kim", Override: "seen from afar"},
		LotChanged{LotID: 3, Status: LotEnded, Reason: "enough"}, BeltMoved{belt})
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}

	l = open(t, path, Options{})
	ctx := context.Background()
	lot := fullLot()
	lot.Status, lot.Reason = LotEnded, "enough"
	same(t, "lot", must(l.Lot(ctx, 3))(t), lot)
	same(t, "lots", must(l.Lots(ctx))(t), []Lot{lot})
	cycles := must(l.Cycles(ctx, 3))(t)
	same(t, "cycles", cycles, []Cycle{{Seq: 7, LotID: 3, JobIndex: 1, Ordinal: 1, EndNumber: 36657,
		State: CycleStateDischarged, FilamentMM: 734.637, MachineTime: 93*time.Minute + 1, Evidence: EvidenceLineNumber,
		BegunBelt: belt, MadeBelt: Belt{TravelMM: 11}}, {Seq: 9, LotID: 3, Ordinal: 2, State: CycleStateDecided, Reason: "link lost", Good: true,
		CheckID: 2, Note: "whole", BegunBelt: belt}})
	if c := cycles[0]; c.Begun.Seq != 3 || c.Made.Seq != 4 || c.Discharged.Seq != 5 || c.Interrupted.Seq != 0 {
		t.Errorf("steps of cycle 7 stand at %d, %d, %d, %d", c.Begun.Seq, c.Made.Seq, c.Discharged.Seq, c.Interrupted.Seq)
	}
	same(t, "last cycle", must(l.LastCycle(ctx))(t).Seq, int64(9))
	same(t, "checks", must(l.Checks(ctx, 3, 0))(t), []Check{fullCheck(2)})
	same(t, "holds", must(l.Holds(ctx, 3))(t), []Hold{{ID: 4, LotID: 3, State: "Held", Reason: "check-due",
		Text: "A check is due.", AtPart: 1, TravelMM: 12, How: "unhold", By: "kim", Override: "seen from afar"}})
	same(t, "belt", must(l.Belt(ctx))(t), belt)
	same(t, "board", must(l.Board(ctx, board.Port))(t), &board)
	same(t, "alerts", must(l.PendingAlerts(ctx, "webhook", time.Now(), 0))(t), []Alert{alert})
	same(t, "events", must(l.Events(ctx, 5, 0))(t), []Event{{Kind: "link", Text: "The cable was pulled."}})
	same(t, "state", must(l.LastState(ctx))(t), &State{State: "Execute", Reason: "started"})
	same(t, "next", must(l.NextIDs(ctx))(t), NextIDs{Lot: 4, Cycle: 10, Hold: 5, Check: 3})
	if open := must(l.OpenLot(ctx))(t); open != nil {
		t.Errorf("lot %d is open after it ended", open.ID)
	}
	if ended := recorded[HoldEnded](t, l); len(ended) != 1 || ended[0].ID != 4 {
		t.Errorf("holds that ended: %+v", ended)
	}
	boots := must(l.Boots(ctx))(t)
	if len(boots) != 2 || boots[0].StartID == boots[1].StartID || boots[0].BootID != boots[1].BootID {
		t.Errorf("two starts on one kernel are recorded as %+v", boots)
	}
}

func TestAnEmptyLedgerReadsAsNothing(t *testing.T) {
	l := newLedger(t)
	ctx := context.Background()
	if lot := must(l.OpenLot(ctx))(t); lot != nil {
		t.Error("an open lot")
	}
	if c := must(l.LastCycle(ctx))(t); c != nil {
		t.Error("a last cycle")
	}
	if b := must(l.Board(ctx, "x"))(t); b != nil {
		t.Error("a board")
	}
	if s := must(l.LastState(ctx))(t); s != nil {
		t.Error("a state")
	}
	same(t, "belt", must(l.Belt(ctx))(t), Belt{Known: true})
	same(t, "next", must(l.NextIDs(ctx))(t), NextIDs{1, 1, 1, 1})
	for _, err := range []error{second(l.Lot(ctx, 1)), second(l.Counts(ctx, 1))} {
		if !errors.Is(err, ErrNotFound) {
			t.Errorf("a lot that is not there gives %v", err)
		}
	}
}

func second[T any](_ T, err error) error { return err }

func TestEventsPageWithoutGaps(t *testing.T) {
	l := newLedger(t)
	ctx := context.Background()
	for range 10 {
		commit(t, l, EventNoted{"note", ""}, StateChanged{"Idle", ""})
	}
	newest := must(l.Events(ctx, 3, 0))(t)
	if len(newest) != 3 || newest[0].Stamp.Seq != 15 || newest[2].Stamp.Seq != 19 {
		t.Fatalf("the newest three are %+v", newest)
	}
	var seen []int64
	after := int64(1) // the first event, so that paging begins behind it
	for {
		page := must(l.Events(ctx, 4, after))(t)
		if len(page) == 0 {
			break
		}
		for _, e := range page {
			seen = append(seen, e.Stamp.Seq)
		}
		after = page[len(page)-1].Stamp.Seq
	}
	same(t, "paging", seen, []int64{3, 5, 7, 9, 11, 13, 15, 17, 19})
}
