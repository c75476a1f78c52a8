package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/supervisor/job"
)

// fieldsOf adds the paths of a JSON value's fields: "a.b", and "a[].b" in lists.
func fieldsOf(at string, v any, to map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		for k, inner := range v {
			fieldsOf(strings.TrimPrefix(at+"."+k, "."), inner, to)
		}
	case []any:
		for _, inner := range v {
			if _, ok := inner.(map[string]any); ok {
				fieldsOf(at+"[]", inner, to)
			} else {
				to[at] = true
			}
		}
	default:
		to[at] = true
	}
}

// unbrace writes out the names that stand in braces.
func unbrace(text string) []string {
	before, rest, ok := strings.Cut(text, "{")
	if !ok {
		return []string{text}
	}
	names, after, _ := strings.Cut(rest, "}")
	var list []string
	for _, n := range strings.Split(names, ",") {
		list = append(list, unbrace(before+n+after)...)
	}
	return list
}

// The page about jobs has every field that inspect prints, no other, each with what it means.
func TestJobsPageHasEveryFieldOfInspect(t *testing.T) {
	text, err := os.ReadFile("../docs/jobs.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(text), "<!-- inspect fields: begin")
	table, _, ok := strings.Cut(table, "<!-- inspect fields: end -->")
	if !ok {
		t.Fatal("docs/jobs.md has no marks around the fields of inspect")
	}
	described := map[string]bool{}
	for _, row := range regexp.MustCompile("(?m)^\\| `([^`]+)` \\| ?([^|]*?) ?\\| ([^|]*) \\|$").FindAllStringSubmatch(table, -1) {
		for _, name := range unbrace(row[1]) {
			if described[name] {
				t.Errorf("%s is described twice", name)
			}
			described[name] = true
			for _, u := range []string{"mm", "s", "g", "cm3", "bytes"} {
				if strings.HasSuffix(name, "_"+u) && strings.TrimSpace(row[2]) != u {
					t.Errorf("%s is in %q by the table", name, row[2])
				}
			}
		}
		if len(row[3]) < 5 {
			t.Errorf("%s has no definition", row[1])
		}
	}
	printed := map[string]bool{}
	odd := filepath.Join(t.TempDir(), "odd.gcode") // with a word that is not followed
	if err := os.WriteFile(odd, []byte("M104 S200\nG28\nG92 E0\nG1 X10 Y10 Z0.2 E1 F1200\nM777 S1\nG1 X20 E2\nM104 S0\nM84\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg := config.Default()
	cfg.Machine.BeltAxis, cfg.Machine.Forward = config.AxisY, 1
	cfg.Machine.LiftAxis, cfg.Machine.HomedAxes = config.AxisZ, []config.Axis{config.AxisX, config.AxisZ}
	options := app.JobOptions(cfg)
	options.LoopMM, options.SeamMM = 1200, 20
	for _, file := range []string{odd, "../testdata/jobs/stake-clip.gcode", "../testdata/jobs/buttons.gcode", "../testdata/jobs/clip-snapshots.gcode"} {
		plan, err := job.Inspect(t.Context(), file, options, nil)
		if err != nil {
			t.Fatal(err)
		}
		out, err := json.Marshal(plan)
		if err != nil {
			t.Fatal(err)
		}
		var v any
		if err := json.Unmarshal(out, &v); err != nil {
			t.Fatal(err)
		}
		fieldsOf("", v, printed)
	}
	if len(printed) < 40 {
		t.Fatalf("only %d fields are printed", len(printed))
	}
	for name := range printed {
		if !described[name] {
			t.Errorf("inspect --json prints %s, and docs/jobs.md does not have it", name)
		}
	}
	for name := range described {
		if !printed[name] {
			t.Errorf("docs/jobs.md has %s, and inspect --json does not print it: it prints %q", name, sorted(printed))
		}
	}
}

func sorted(set map[string]bool) (list []string) {
	for name := range set {
		list = append(list, name)
	}
	slices.Sort(list)
	return list
}
