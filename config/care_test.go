package config

import (
	"strings"
	"testing"
)

func TestCare(t *testing.T) {
	s, err := Parse("m.yaml", []byte(machineOnly+"hold:\n  care:\n    - {name: wipe the belt, every_m: 200}\n    - {name: new nozzle, every_hours: 300, every_days: 365}\n    - {name: oil the rods, every_parts: 1000}\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []Care{{Name: "wipe the belt", EveryM: 200}, {Name: "new nozzle", EveryHours: 300, EveryDays: 365}, {Name: "oil the rods", EveryParts: 1000}}
	if len(s.Hold.Care) != len(want) {
		t.Fatalf("%+v", s.Hold.Care)
	}
	for i, c := range s.Hold.Care {
		if c != want[i] {
			t.Errorf("%+v, want %+v", c, want[i])
		}
	}
	for list, says := range map[string]string{
		"wipe":                             "is a single value instead of a list",
		"[{every_m: 200}]":                 "hold.care[0].name: is missing",
		"[{name: wipe}]":                   "does not say how often",
		"[{name: wipe, every_mm: 200}]":    "did you mean every_m?",
		"[{name: wipe, every_m: 0}]":       "every_m",
		"[{name: wipe, every_parts: 2.5}]": "is not a whole number",
		"[{name: ' wipe', every_m: 2}]":    "blanks",
		"[{name: wipe, every_m: 200}, {name: Wipe, every_m: 3}]": "has the same name as line",
	} {
		_, err := Parse("m.yaml", []byte(machineOnly+"hold:\n  care: "+list+"\n"))
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v, want %q", list, err, says)
		}
	}
}
