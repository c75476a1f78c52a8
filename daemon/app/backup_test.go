package app

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/zap"

	"beltwarden/supervisor/ledger"
)

// TestADamagedLedgerOffersItsBackup: the start is refused, the file is left as it is, and
// the newest copy is named with the command that puts it in place.
func TestADamagedLedgerOffersItsBackup(t *testing.T) {
	c, r := settings(t), machine(t)
	c.Ledger.BackupFolder, c.Ledger.BackupKeep = filepath.Join(t.TempDir(), "copies"), 2
	a := start(t, Options{Config: c, Opener: r.Open})
	for range 3 {
		if err := a.backups.Make(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if made, failed := a.newestBackup(); made.IsZero() || failed {
		t.Errorf("the metrics get %v, %v", made, failed)
	}
	if err := stopApp(a); err != nil {
		t.Fatal(err)
	}
	left, err := os.ReadDir(c.Ledger.BackupFolder)
	if err != nil || len(left) != 2 {
		t.Fatalf("%d copies are kept: %v", len(left), err)
	}
	if err := os.WriteFile(c.Ledger.Path, []byte("plant-stake clips"), 0o600); err != nil {
		t.Fatal(err)
	}
	refused := func(want string) {
		t.Helper()
		a, err := New(t.Context(), Options{Config: c, Opener: r.Open, Log: zap.NewNop()})
		if err == nil {
			_ = stopApp(a)
		}
		if !errors.Is(err, ledger.ErrCorrupt) || !strings.Contains(err.Error(), want) {
			t.Errorf("%v; want %q", err, want)
		}
	}
	newest := filepath.Join(c.Ledger.BackupFolder, "ledger-000003.db")
	refused("beltwarden ledger restore " + c.Ledger.Path + " " + newest)
	if _, err := ledger.Restore(t.Context(), newest, c.Ledger.Path); err != nil {
		t.Fatal(err)
	}
	b := start(t, Options{Config: c, Opener: r.Open})
	if s := b.Snapshot(); s.Belt.Clear {
		t.Error("after a restore the belt is taken to be clear")
	}
	if err := stopApp(b); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(c.Ledger.Path, []byte("plant-stake clips"), 0o600); err != nil {
		t.Fatal(err)
	}
	c.Ledger.BackupFolder = filepath.Join(t.TempDir(), "none")
	refused("there is no backup in")
}
