package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// What exists is replaced whole and keeps its permissions; a failure leaves nothing
// behind.
func TestReplaceFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "clip.svg")
	if err := os.WriteFile(path, []byte(strings.Repeat("long ago ", 100)), 0o640); err != nil {
		t.Fatal(err)
	}
	if err := replaceFile(path, "new"); err != nil {
		t.Fatal(err)
	}
	got, _ := os.ReadFile(path)
	info, err := os.Stat(path)
	if err != nil || string(got) != "new" || info.Mode().Perm() != 0o640 {
		t.Errorf("%q, %v, %v", got, info.Mode(), err)
	}
	// The name fails only when the picture is written already and gets it.
	if err := replaceFile(filepath.Join(dir, strings.Repeat("n", 256)), "new"); !errors.Is(err, syscall.ENAMETOOLONG) {
		t.Errorf("a name of 256 bytes gives %v", err)
	}
	if list, _ := os.ReadDir(dir); len(list) != 1 {
		t.Errorf("left behind: %v", list)
	}
}
