package ledger

import (
	"context"
	"encoding/json"
	"errors"
	"path/filepath"
	"testing"
)

func TestTheNewestHeatOfAPortCounts(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := open(t, path, Options{})
	of := func(port, heater, model string) Record { return HeatLearned{port, heater, json.RawMessage(model)} }
	commit(t, l, of("p", HeaterNozzle, `{"a":1}`), of("p", HeaterBed, `{"b":1}`), of("q", HeaterBed, `{"c":1}`))
	commit(t, l, of("p", HeaterNozzle, `{"a":2}`))
	for _, bad := range []Record{of("", HeaterBed, `{}`), of("p", "", `{}`), of("p", HeaterBed, `[1]`), of("p", HeaterBed, `null`), of("p", HeaterBed, `{`)} {
		if err := l.Commit(context.Background(), bad); !errors.Is(err, ErrInvalid) {
			t.Errorf("%+v gives %v", bad, err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	l = open(t, path, Options{})
	same(t, "heat", must(l.Heat(context.Background(), "p"))(t),
		map[string]json.RawMessage{HeaterNozzle: json.RawMessage(`{"a":2}`), HeaterBed: json.RawMessage(`{"b":1}`)})
	same(t, "heat of a port never seen", must(l.Heat(context.Background(), "r"))(t), map[string]json.RawMessage{})
	same(t, "problems", must(l.Check(context.Background()))(t), []string(nil))
}

func TestStep3AddsTheHeaters(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(path, Options{schema: 2})
	if err != nil {
		t.Fatal(err)
	}
	learned := HeatLearned{"p", HeaterBed, json.RawMessage(`{}`)}
	if err := l.Commit(context.Background(), learned); err == nil {
		t.Error("a heater was kept before the step that holds it")
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	commit(t, open(t, path, Options{}), learned)
}
