package ledger

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"testing"
)

func TestWherePartsWereLaid(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := open(t, path, Options{})
	commit(t, l, oldRecords()...)
	commit(t, l, PartLaid{1, 10, 40}, PartLaid{2, 60.5, 90}, SizeOrdered{1, 0, 20, 0.25})
	for _, bad := range []Record{PartLaid{1, 0, 1}, PartLaid{9, 0, 1}, PartLaid{2, 5, 4}, PartLaid{2, math.NaN(), 4},
		SizeOrdered{1, 1, 20, 1}, SizeOrdered{1, 0, 0, 1}, SizeOrdered{1, 0, 20, -1}, SizeOrdered{7, 0, 20, 1}, SizeOrdered{1, 0, 30, 1}} {
		if err := l.Commit(context.Background(), bad); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	l = open(t, path, Options{})
	same(t, "laid", recorded[PartLaid](t, l), []PartLaid{{1, 10, 40}, {2, 60.5, 90}})
	same(t, "sizes", must(l.Sizes(context.Background(), 1))(t), map[int]SizeOrdered{0: {1, 0, 20, 0.25}})
	same(t, "sizes of another lot", must(l.Sizes(context.Background(), 2))(t), map[int]SizeOrdered{})
	same(t, "problems", must(l.Check(context.Background()))(t), []string(nil))
}

func TestStep6AddsWherePartsLie(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(path, Options{schema: 5})
	if err != nil {
		t.Fatal(err)
	}
	commit(t, l, oldRecords()...)
	if err := l.Commit(context.Background(), PartLaid{1, 0, 1}); err == nil || errors.Is(err, ErrInvalid) {
		t.Errorf("kept before the step that holds it: %v", err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	commit(t, open(t, path, Options{}), PartLaid{1, 0, 1})
}
