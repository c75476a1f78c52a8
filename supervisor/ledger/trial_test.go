package ledger

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"testing"
)

func TestTrialsAreKept(t *testing.T) {
	ctx, path := context.Background(), filepath.Join(t.TempDir(), "ledger.db")
	l := open(t, path, Options{})
	first := TrialBegun{ID: 1, RunMM: 5000, BeforeMM: -0.25, TravelMM: 10, AdvanceMM: -3, By: "a"}
	after := 0.5
	commit(t, l, first)
	same(t, "begun", must(l.Trials(ctx, 9))(t), []Trial{{TrialBegun: first}})
	commit(t, l, TrialRan{1, 5010, 4997})
	second := TrialBegun{ID: 2, RunMM: 3000, BeforeMM: 0, TravelMM: 5010, AdvanceMM: 4997, Adjuster: "left", Turns: -0.5}
	commit(t, l, TrialEnded{1, "read", &after}, second, TrialEnded{2, "broken off", nil})
	for name, bad := range map[string]Record{
		"a trial twice":        TrialBegun{ID: 2, RunMM: 1},
		"an end twice":         TrialEnded{2, "read", nil},
		"a run after the end":  TrialRan{2, 1, 1},
		"a trial that is none": TrialRan{7, 1, 1},
		"turns of nothing":     TrialBegun{ID: 3, RunMM: 1, Turns: 1},
		"no way":               TrialBegun{ID: 3},
		"no number":            TrialBegun{ID: 3, RunMM: 1, BeforeMM: math.NaN()},
		"no reason":            TrialEnded{ID: 1},
	} {
		if err := l.Commit(ctx, bad); !errors.Is(err, ErrIllegal) && !errors.Is(err, ErrInvalid) {
			t.Errorf("%s gives %v", name, err)
		}
	}
	commit(t, l, TrialBegun{ID: 3, RunMM: 1})
	for name, bad := range map[string]Record{
		"two at a time":                TrialBegun{ID: 4, RunMM: 1},
		"an offset of a belt not run":  TrialEnded{3, "read", &after},
		"an offset that is not finite": TrialEnded{3, "read", ptr(math.Inf(1))},
	} {
		if err := l.Commit(ctx, bad); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	l = open(t, path, Options{})
	same(t, "trials", must(l.Trials(ctx, 2))(t), []Trial{
		{TrialBegun: second, Ended: true, How: "broken off"}, {TrialBegun: TrialBegun{ID: 3, RunMM: 1}}})
	same(t, "oldest", must(l.Trials(ctx, 9))(t)[0],
		Trial{TrialBegun: first, Ran: true, RanTravelMM: 5010, RanAdvanceMM: 4997, Ended: true, How: "read", AfterMM: &after})
	same(t, "problems", must(l.Check(ctx))(t), []string(nil))
}

func ptr[T any](v T) *T { return &v }

func TestTheScalesOfAPort(t *testing.T) {
	ctx := context.Background()
	l := open(t, filepath.Join(t.TempDir(), "ledger.db"), Options{})
	same(t, "before", recorded[ScaleSet](t, l), []ScaleSet(nil))
	set := ScaleSet{Port: "p", Axis: "Y", OldStepsPerMM: 80, NewStepsPerMM: 79.5, TravelMM: 12, By: "a"}
	stored, other := set, ScaleSet{Port: "q", Axis: "Z", OldStepsPerMM: 1, NewStepsPerMM: 2}
	stored.Stored = true
	commit(t, l, set, stored, other)
	got := recorded[ScaleSet](t, l)
	for i := range got {
		if got[i].Stamp.Seq != int64(i+1) {
			t.Errorf("%d stands at %d in the journal", i, got[i].Stamp.Seq)
		}
		got[i].Stamp = Stamp{}
	}
	same(t, "scales", got, []ScaleSet{set, stored})
	for _, bad := range []ScaleSet{{}, {Port: "p", Axis: "Y", OldStepsPerMM: 80}, {Port: "p", Axis: "Y", OldStepsPerMM: math.NaN(), NewStepsPerMM: 1},
		{Axis: "Y", OldStepsPerMM: 80, NewStepsPerMM: 79}} {
		if err := l.Commit(ctx, bad); !errors.Is(err, ErrInvalid) {
			t.Errorf("%+v gives %v", bad, err)
		}
	}
	same(t, "problems", must(l.Check(ctx))(t), []string(nil))
}

func TestStep5AddsTrialsAndScale(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(path, Options{schema: 4})
	if err != nil {
		t.Fatal(err)
	}
	records := []Record{TrialBegun{ID: 1, RunMM: 1}, ScaleSet{Port: "p", Axis: "Y", OldStepsPerMM: 1, NewStepsPerMM: 1}}
	for _, r := range records {
		if err := l.Commit(context.Background(), r); err == nil {
			t.Errorf("%T was kept before the step that holds it", r)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	commit(t, open(t, path, Options{}), records...)
}
