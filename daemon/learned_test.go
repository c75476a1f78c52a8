package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltwarden/config"
	"beltwarden/supervisor/heat"
	"beltwarden/supervisor/ledger"
)

func TestInspectReadsWhatWasLearned(t *testing.T) {
	cfg := config.Default()
	cfg.Ledger.Path, cfg.Machine.Port = filepath.Join(t.TempDir(), "ledger.db"), "p"
	if _, _, why := learned(context.Background(), cfg); !strings.Contains(why, "no ledger to learn from yet") {
		t.Errorf("without a ledger: %s", why)
	}
	if _, err := os.Stat(cfg.Ledger.Path); err == nil {
		t.Error("looking for a ledger made one")
	}
	l, err := ledger.Open(cfg.Ledger.Path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := heat.Model{AmbientC: 21, HasAmbient: true}
	text, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	for _, model := range []string{string(text), `{"ambient_c":"warm"}`} {
		if err := l.Commit(context.Background(), ledger.HeatLearned{Port: "p", Heater: ledger.HeaterBed, Model: json.RawMessage(model)}); err != nil {
			t.Fatal(err)
		}
		h, _, why := learned(context.Background(), cfg) // beside the writer, as beside a daemon
		if h.Bed != want || h.Nozzle != (heat.Model{}) || !strings.Contains(why, "often enough") {
			t.Errorf("%s: got %+v; %s", model, h, why)
		}
		want = heat.Model{} // what cannot be read counts as none
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(cfg.Ledger.Path, []byte(strings.Repeat("no ledger", 200)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, why := learned(context.Background(), cfg); !strings.Contains(why, "cannot open ledger") {
		t.Errorf("of a damaged ledger: %s", why)
	}
}
