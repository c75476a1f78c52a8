package config

import (
	"bytes"
	"errors"
	"fmt"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

const least = "machine:\n  port: /dev/x\n  belt_axis: Y\n  forward: +1\nbelt:\n  to_drop_mm: 250\n"

func TestLoadReadsAFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "settings.yaml")
	text := least + "hold:\n  every_hours: 1.5\n  heaters_off_after_min: 0.5\nmachine2: 1\n"
	text = strings.Replace(text, "machine2: 1\n", "discharge: {advance_feed_mm_per_min: 1.2e3}\n", 1)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	got, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	want := Default()
	want.Machine.Port, want.Machine.BeltAxis, want.Machine.Forward = "/dev/x", AxisY, 1
	want.Machine.HomedAxes, want.Machine.LiftAxis = []Axis{AxisX, AxisZ}, AxisZ
	want.Belt.ToDropMM = 250
	want.Hold.Every, want.Hold.HeatersOffAfter = 90*time.Minute, 30*time.Second
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestLoadSaysWhyAFileCannotBeRead(t *testing.T) {
	dir := t.TempDir()
	pipe, large, locked := filepath.Join(dir, "pipe"), filepath.Join(dir, "large"), filepath.Join(dir, "locked")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(large, bytes.Repeat([]byte("# x\n"), MaxBytes/4+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(locked, []byte(least), 0); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		path, part string
		is         error
	}{
		{filepath.Join(dir, "absent"), "does not exist", fs.ErrNotExist},
		{dir, "is a directory", nil},
		{pipe, "is not a regular file", nil},
		{large, "is larger than 1048576 bytes", nil},
		{"", "no file is named", nil},
		{filepath.Join(locked, "x"), "cannot be read: not a directory", syscall.ENOTDIR},
		{locked, "cannot be read: permission denied", fs.ErrPermission},
	} {
		if c.path == locked && os.Geteuid() == 0 {
			t.Log("not tried as root, whom no permission stops: an unreadable file")
			continue
		}
		s, err := Load(c.path)
		if s != nil || err == nil || !strings.Contains(err.Error(), c.part) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v", c.path, err)
		}
		if c.is != nil && !errors.Is(err, c.is) {
			t.Errorf("%q: the cause %v is lost in %v", c.path, c.is, err)
		}
		var e *Error
		if !errors.As(err, &e) || e.Remedy == "" {
			t.Errorf("%q: no remedy in %v", c.path, err)
		}
	}
}

// A broken file must not fill memory or the screen.
func TestManyMistakesAreBounded(t *testing.T) {
	var b bytes.Buffer
	for i := range 5000 {
		fmt.Fprintf(&b, "g%d: 1\n", i)
	}
	_, err := Parse("x", b.Bytes())
	var all Errors
	if !errors.As(err, &all) || len(all) != maxErrors+1 {
		t.Fatalf("%d errors", len(all))
	}
	// 5000 unknown groups and four keys missing.
	if got, want := all[maxErrors].Error(), fmt.Sprintf("x: has %d more mistakes; correct these first", 5004-maxErrors); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestErrorsComeInTheOrderOfTheFile(t *testing.T) {
	_, err := Parse("x", []byte("hold:\n  every_hours: 3 d\nmachine:\n  baud: 1\nlog: 1\n"))
	var all Errors
	if !errors.As(err, &all) || len(all) < 3 {
		t.Fatal(err)
	}
	for i := range all[1:] {
		if all[i].Line > all[i+1].Line {
			t.Errorf("line %d before line %d", all[i].Line, all[i+1].Line)
		}
	}
}

func TestSecretsStayOutOfMessages(t *testing.T) {
	for _, hook := range []string{
		"url: ftp://host/hunter2", "url: 'http:// hunter2'", "url: [hunter2]", "url: 'https://hunter2@/'",
		"{url: 'https://h/', header: {A: \"hunter2\\n\"}}", "{url: 'https://h/', header: {A: [hunter2]}}",
		"{url: 'https://h/', header: {A: &x hunter2}}", "{url: 'https://h/', header: {A: \"hunter2}}", "hunter2",
		"mails:{password_file: hunter2}", "mails:{user: [hunter2]}", "mails:{user: \"hunter2\\n\"}", "mails:{tls: hunter2}", "mails:{to: [hunter2]}",
		"services:{url: 'generic://hunter2'}", "services:{url_file: hunter2}", "services:hunter2", "alertmanagers:{url: 'ftp://hunter2'}",
	} {
		list := "webhooks"
		if rest, other := strings.CutPrefix(hook, "mails:"); other {
			list, hook = "mails", rest
		} else if rest, other := strings.CutPrefix(hook, "services:"); other {
			list, hook = "services", rest
		} else if rest, other := strings.CutPrefix(hook, "alertmanagers:"); other {
			list, hook = "alertmanagers", rest
		}
		_, err := Parse("x", []byte(least+"alerts:\n  "+list+":\n    - "+hook+"\n"))
		var all Errors
		if !errors.As(err, &all) {
			t.Errorf("%s: accepted", hook)
			continue
		}
		for _, e := range all {
			if strings.Contains(fmt.Sprintf("%+v %v", *e, e), "hunter2") {
				t.Errorf("%s: shown in %+v", hook, *e)
			}
		}
	}
}

// The package is a leaf: it may use the standard library and the YAML reader,
// so that nothing else in the program can depend on itself through it.
func TestPackageIsALeaf(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		for _, imp := range f.Imports {
			path := strings.Trim(imp.Path.Value, `"`)
			first, _, _ := strings.Cut(path, "/")
			if path != "gopkg.in/yaml.v3" && (strings.Contains(first, ".") || first == "beltwarden") {
				t.Errorf("%s imports %s", name, path)
			}
		}
	}
}
