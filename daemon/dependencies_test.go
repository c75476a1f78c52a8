package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// listed is a row of the tables of dependencies.
type listed struct{ version, why, licence string }

var dependencyRow = regexp.MustCompile("(?m)^\\| `([^`]+)` \\| (v[^ ]+) \\| (.+) \\| ([^|]+) \\|$")

// What a licence says in its text, and in no other's.
var licencePhrases = map[string]string{
	"MIT":          "Permission is hereby granted, free of charge",
	"BSD 3-clause": "Neither the name",
	"Apache 2.0":   "Apache License",
	"MPL 2.0":      "Mozilla Public License",
}

// TestDependenciesAreListed holds docs/dev/dependencies.md to what is built into the program and
// what go.mod asks for, with version, a reason and the licence.
func TestDependenciesAreListed(t *testing.T) {
	text, err := os.ReadFile("../docs/dev/dependencies.md")
	if err != nil {
		t.Fatal(err)
	}
	table := map[string]listed{}
	for _, row := range dependencyRow.FindAllStringSubmatch(string(text), -1) {
		if _, twice := table[row[1]]; twice {
			t.Errorf("%s is listed twice", row[1])
		}
		table[row[1]] = listed{row[2], row[3], strings.TrimSpace(row[4])}
	}
	folders := map[string]string{}
	built := modules(t, folders, "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}", ".")
	asked := modules(t, folders, "list", "-m", "-f", "{{if not (or .Main .Indirect)}}{{.Path}} {{.Version}} {{.Dir}}{{end}}", "all")
	for path, version := range built {
		if row, ok := table[path]; !ok || strings.Contains(row.why, "tests only") || strings.Contains(row.why, "tests alone") {
			t.Errorf("%s %s is in the program and not listed as such in docs/dev/dependencies.md", path, version)
		}
	}
	for path := range asked {
		if _, ok := table[path]; !ok && path != "github.com/chromedp/cdproto" { // one project with chromedp
			t.Errorf("go.mod asks for %s, which docs/dev/dependencies.md does not list", path)
		}
	}
	for path, row := range table {
		version, ok := built[path]
		if !ok {
			version, ok = asked[path]
		}
		switch {
		case !ok:
			t.Errorf("docs/dev/dependencies.md lists %s, which nothing needs", path)
		case version != row.version:
			t.Errorf("docs/dev/dependencies.md lists %s %s, and %s is used", path, row.version, version)
		default:
			checkLicence(t, path, folders[path], row.licence)
		}
	}
}

// modules runs the go command and reads "path version folder" from each line.
func modules(t *testing.T, folders map[string]string, args ...string) map[string]string {
	t.Helper()
	out, err := exec.Command("go", args...).Output()
	if err != nil {
		t.Fatalf("go %s: %v", strings.Join(args, " "), err)
	}
	found := map[string]string{}
	for line := range strings.Lines(string(out)) {
		if f := strings.Fields(line); len(f) >= 2 {
			found[f[0]] = f[1]
			if len(f) > 2 {
				folders[f[0]] = f[2]
			}
		}
	}
	if len(found) < 5 {
		t.Fatalf("go %s names %d modules", strings.Join(args, " "), len(found))
	}
	return found
}

// checkLicence reads the module's own text.
func checkLicence(t *testing.T, path, folder, licence string) {
	t.Helper()
	files, _ := filepath.Glob(filepath.Join(folder, "[Ll][Ii][Cc][Ee][Nn][CcSs][Ee]*"))
	var all strings.Builder
	for _, file := range files {
		if data, err := os.ReadFile(file); err == nil {
			all.Write(data)
		}
	}
	if all.Len() == 0 {
		t.Errorf("%s has no licence in %q", path, folder)
	}
	for part := range strings.SplitSeq(licence, " and ") {
		phrase, known := licencePhrases[part]
		if !known || !strings.Contains(strings.Join(strings.Fields(all.String()), " "), phrase) {
			t.Errorf("docs/dev/dependencies.md says that %s is under %q; its text does not", path, part)
		}
	}
}
