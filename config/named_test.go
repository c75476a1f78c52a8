package config

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const machineOnly = "machine:\n  port: /dev/ttyACM0\n  belt_axis: Y\n  forward: +1\nbelt:\n  to_drop_mm: 250\n"

func TestNamedWords(t *testing.T) {
	s, err := Parse("m.yaml", []byte(machineOnly+"job:\n  named_words:\n    - {word: BEGIN_JOB, nozzle: EXTRUDER, bed: BED_TEMP, homes: true, extruder: relative}\n    - {word: FINISH_JOB, nozzle: 0, bed: 0}\n    - {word: lights}\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []NamedWord{{"BEGIN_JOB", "EXTRUDER", "BED_TEMP", "relative", true}, {Word: "FINISH_JOB", Nozzle: "0", Bed: "0"}, {Word: "lights"}}
	if diff := cmp.Diff(want, s.Job.NamedWords); diff != "" {
		t.Error(diff)
	}
	for text, want := range map[string]string{
		"{}":                            "instead of a list",
		"[BEGIN]":                       "instead of a group",
		"[{nozzle: A}]":                 "job.named_words[0].word: is missing",
		"[{word: G28}]":                 "is no named word",
		"[{word: 5}]":                   "is not a text",
		"[{word: AB}]":                  "is no named word",
		"[{word: ABC, nozzle: 900}]":    "named_words[0].nozzle",
		"[{word: ABC, bed: -5}]":        "named_words[0].bed",
		"[{word: ABC, bed: 'A B'}]":     "named_words[0].bed",
		"[{word: ABC, bed: [1]}]":       "instead of a single value",
		"[{word: ABC, extruder: both}]": "must be relative or absolute",
		"[{word: ABC, homes: 1}]":       "neither true nor false",
		"[{word: ABC, heats: 1}]":       "there is no such key",
		"[{word: ABC}, {word: abc}]":    "describes the same word as line",
		"[" + strings.Repeat("{word: ABC}, ", 30) + "]": "has 30 words",
	} {
		if _, err := Parse("m.yaml", []byte(machineOnly+"job:\n  named_words: "+text+"\n")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}
