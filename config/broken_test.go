package config

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the messages found next to the broken files, to be read by a person")

const broken = "../testdata/config"

// Each broken file has the whole of its messages beside it.
func TestBrokenFiles(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(broken, "*.yaml"))
	if err != nil || len(files) < 25 {
		t.Fatalf("%d broken files, %v", len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".yaml")
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			s, err := Parse(name+".yaml", data)
			if err == nil || s != nil {
				t.Fatal("the file is accepted")
			}
			checkPlaces(t, err, data)
			got, beside := err.Error()+"\n", filepath.Join(broken, name+".txt")
			if *update {
				if err := os.WriteFile(beside, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(beside)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got\n%swant\n%s", got, want)
			}
		})
	}
}

// checkPlaces asks of every message that it has a remedy and a place that exists.
func checkPlaces(t *testing.T, err error, data []byte) {
	t.Helper()
	var all Errors
	if !errors.As(err, &all) {
		t.Fatalf("%T is no list of errors", err)
	}
	text := lines(data)
	for _, e := range all {
		if e.Problem == "" || e.Remedy == "" || e.Line < 1 || e.Column < 1 {
			t.Errorf("incomplete: %+v", e)
		}
		if e.Line > max(len(text), 1) {
			t.Errorf("line %d of %d: %v", e.Line, len(text), e)
		}
		if e.Line <= len(text) && e.Column > len(text[e.Line-1])+1 {
			t.Errorf("column %d beyond the line: %v", e.Column, e)
		}
		if strings.ContainsAny(e.Error(), "\n\x00") {
			t.Errorf("message of more than one line: %q", e.Error())
		}
	}
}
