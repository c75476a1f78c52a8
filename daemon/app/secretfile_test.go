package app

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"beltwarden/daemon/access"
)

func TestSecretFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "secret")
	for _, c := range []struct {
		content string
		mode    os.FileMode
		want    string
	}{
		{"belt-7f3a-pegs-2c", 0o640, ""}, {"belt-7f3a-pegs-2c\n", 0o400, ""},
		{"belt-7f3a-pegs-2c", 0o644, "every user"}, {"short", 0o600, "too easy to guess"}, {"", 0o600, "too easy to guess"},
		{"belt-7f3a pegs-2c", 0o600, "white space"}, {"belt-7f3a-pegs-2c\nx", 0o600, "white space"}, {strings.Repeat("x", 5000), 0o600, "longer"},
	} {
		os.Remove(path)
		if err := os.WriteFile(path, []byte(c.content), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, c.mode); err != nil {
			t.Fatal(err)
		}
		got, err := readAccessSecret(path)
		if c.want == "" && (err != nil || got != access.SecretOf([]byte("belt-7f3a-pegs-2c"))) {
			t.Errorf("%q: %v, %v", c.content, got.Set(), err)
		}
		if c.want != "" && (err == nil || got.Set() || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%q, %v: %v, want %q", c.content, c.mode, err, c.want)
		}
	}
	if _, err := readAccessSecret(path + "x"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("an absent file: %v", err)
	}
}

// A secret is taken by how hard it is to guess, whatever its length; random ones pass.
func TestWeakSecrets(t *testing.T) {
	for _, s := range []string{"", "short", strings.Repeat("a", 4000), strings.Repeat("ab", 30), "hunter2-hunter2-hunter2", "passwordpassword1", "0123456789abcdef",
		"abcdefghijklmnopqrstuvwxyz", "zyxwvutsrqponmlkjihgfedcba", "2468ACEGIKMOQSUWY", "123123123123123123"} {
		if weakness(s) == "" {
			t.Errorf("%.40s is taken for %.0f bits", s, secretBits(s))
		}
	}
	least := 1e9
	draw := rand.New(rand.NewPCG(26, 32)) // the same texts each time: the least of many draws has no bound
	for range 20_000 {
		text := make([]byte, 26)
		for i := range text {
			text[i] = "abcdefghijklmnopqrstuvwxyz234567"[draw.IntN(32)]
		}
		s := string(text)
		least = min(least, secretBits(s[:20]))
		if weakness(s) != "" {
			t.Errorf("%s is refused: %.0f bits", s, secretBits(s))
		}
	}
	if least < minSecretBits {
		t.Errorf("twenty random characters may have %.0f bits", least)
	}
	for _, s := range []string{"wide-open-greenhouse-42", "3141592653589793238462", "K7#pQ9!zR2&mX4%t"} {
		if why := weakness(s); why != "" {
			t.Errorf("%s: %s", s, why)
		}
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
		{"pass word\r\n", 0o600, "pass word", ""}, {"ä", 0o640, "ä", ""}, {strings.Repeat("x", maxSecretBytes), 0o600, strings.Repeat("x", maxSecretBytes), ""},
		{"password", 0o604, "", "every user"}, {"\n", 0o600, "", "the file is empty"}, {"a\nb", 0o600, "", "more than one line"},
		{"a\x00b", 0o600, "", "more than one line"}, {strings.Repeat("x", maxSecretBytes+1), 0o600, "", "longer than 4096 bytes"},
	} {
		path := filepath.Join(dir, "hidden")
		os.Remove(path)
		if err := errors.Join(os.WriteFile(path, []byte(c.content), 0o600), os.Chmod(path, c.mode)); err != nil {
			t.Fatal(err)
		}
		got, err := readSecretText(path)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) || got != c.is {
			t.Errorf("%.20q, %v: %.20q, %v, want %q", c.content, c.mode, got, err, c.want)
		}
	}
	if _, err := readSecretText(dir); err == nil || !strings.Contains(err.Error(), "it is not a file") {
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
	go func() { wrote <- os.WriteFile(path, []byte("belt-7f3a-pegs-2c\n"), 0) }()
	got, err := readAccessSecret(path)
	if err := errors.Join(err, <-wrote); err != nil || got != access.SecretOf([]byte("belt-7f3a-pegs-2c")) {
		t.Errorf("%v, %v", got.Set(), err)
	}
}
