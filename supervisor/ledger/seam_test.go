package ledger

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"testing"
)

func TestTheNewestSeamCounts(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := open(t, path, Options{})
	same(t, "before it was seen", recorded[SeamSeen](t, l), []SeamSeen(nil))
	commit(t, l, SeamSeen{AdvanceMM: 100, By: "a"}, SeamSeen{AdvanceMM: -250.5, By: "b"})
	if err := l.Commit(context.Background(), SeamSeen{AdvanceMM: math.NaN()}); !errors.Is(err, ErrInvalid) {
		t.Errorf("no number gives %v", err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	l = open(t, path, Options{})
	same(t, "seam", recorded[SeamSeen](t, l), []SeamSeen{{AdvanceMM: -250.5, By: "b"}})
	same(t, "problems", must(l.Check(context.Background()))(t), []string(nil))
}

func TestStep4AddsTheSeam(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(path, Options{schema: 3})
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Commit(context.Background(), SeamSeen{}); err == nil {
		t.Error("a seam was kept before the step that holds it")
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	commit(t, open(t, path, Options{}), SeamSeen{})
}
