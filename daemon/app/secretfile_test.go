package app

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

func TestSecretFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "secret")
	for _, c := range []struct {
		content string
		mode    os.FileMode
		want    string
	}{
		{"0123456789abcdef", 0o640, ""}, {"0123456789abcdef\n", 0o400, ""},
		{"0123456789abcdef", 0o644, "every user"}, {"short", 0o600, "shorter"}, {"", 0o600, "shorter"},
		{"0123456789 abcdef", 0o600, "white space"}, {"0123456789abcdef\nx", 0o600, "white space"}, {strings.Repeat("x", 5000), 0o600, "longer"},
	} {
		os.Remove(path)
		if err := os.WriteFile(path, []byte(c.content), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, c.mode); err != nil {
			t.Fatal(err)
		}
		got, err := readSecret(path)
		if c.want == "" && (err != nil || got != "0123456789abcdef") {
			t.Errorf("%q: %q, %v", c.content, got, err)
		}
		if c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%q, %v: %v, want %q", c.content, c.mode, err, c.want)
		}
	}
	if _, err := readSecret(path + "x"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("an absent file: %v", err)
	}
}

// What alerts are sent with may be short, and hold what does not travel in a header.
func TestHiddenLines(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		content string
		mode    os.FileMode
		is      string
		want    string // a part of the error, "" for none
	}{
		{"pass word\r\n", 0o600, "pass word", ""}, {"ä", 0o640, "ä", ""}, {strings.Repeat("x", mostSecret), 0o600, strings.Repeat("x", mostSecret), ""},
		{"password", 0o604, "", "every user"}, {"\n", 0o600, "", "the file is empty"}, {"a\nb", 0o600, "", "more than one line"},
		{"a\x00b", 0o600, "", "more than one line"}, {strings.Repeat("x", mostSecret+1), 0o600, "", "longer than 4096 bytes"},
	} {
		path := filepath.Join(dir, "hidden")
		os.Remove(path)
		if err := errors.Join(os.WriteFile(path, []byte(c.content), 0o600), os.Chmod(path, c.mode)); err != nil {
			t.Fatal(err)
		}
		got, err := readHidden(path)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) || got != c.is {
			t.Errorf("%.20q, %v: %.20q, %v, want %q", c.content, c.mode, got, err, c.want)
		}
	}
	if _, err := readHidden(dir); err == nil || !strings.Contains(err.Error(), "it is no file") {
		t.Errorf("a folder: %v", err)
	}
}

// A shell hands a secret over by a pipe, when another program keeps it.
func TestSecretByAPipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe")
	if err := unix.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	wrote := make(chan error, 1)
	go func() { wrote <- os.WriteFile(path, []byte("0123456789abcdef\n"), 0) }()
	got, err := readSecret(path)
	if err := errors.Join(err, <-wrote); err != nil || got != "0123456789abcdef" {
		t.Errorf("%q, %v", got, err)
	}
}
