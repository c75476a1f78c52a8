//go:build !race

// It reads texts in one goroutine.

package main

import (
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"beltwarden/config"
)

// documents are the pages that people read, by their paths from the root of the repository.
func documents(t *testing.T) []string {
	t.Helper()
	list := []string{"README.md", "DEVELOPERS.md", "deploy/README.md"}
	for _, pattern := range []string{"docs/*.md", "docs/*/*.md"} {
		found, err := filepath.Glob(filepath.Join("..", pattern))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range found {
			list = append(list, strings.TrimPrefix(filepath.ToSlash(f), "../"))
		}
	}
	if len(list) < 10 {
		t.Fatalf("only %d documents: %q", len(list), list)
	}
	return list
}

// What everybody has to read fits into a quarter of an hour; the rest has a page under docs.
func TestFirstPagesAreShort(t *testing.T) {
	for _, path := range []string{"README.md", "DEVELOPERS.md"} {
		info, err := os.Stat(filepath.Join("..", path))
		if err != nil {
			t.Fatal(err)
		}
		if info.Size() > 12_000 {
			t.Errorf("%s has %d bytes, 12000 are the most: move what few readers need to a page under docs", path, info.Size())
		}
	}
}

// page is a document without its blocks of code, and the anchors of its headings.
type page struct {
	text    string
	anchors []string
}

var (
	link    = regexp.MustCompile(`\]\(([^()\s]+)\)`)
	heading = regexp.MustCompile(`^#{1,6} +(.+?) *#* *$`)
	fence   = regexp.MustCompile("^ *(```|~~~)")
	code    = regexp.MustCompile("`[^`\n]*`")
)

// readPage reads a document. Anchors are made as code hosts commonly make them: lower case,
// blanks to hyphens, other punctuation left out, and a number for a heading that is there twice.
func readPage(text string) page {
	var p page
	var b strings.Builder
	inside := false
	seen := map[string]int{}
	for line := range strings.Lines(text) {
		if fence.MatchString(line) {
			inside = !inside
			continue
		}
		if inside {
			continue
		}
		if m := heading.FindStringSubmatch(strings.TrimRight(line, "\n")); m != nil {
			a := anchor(m[1])
			if n := seen[a]; n > 0 {
				p.anchors = append(p.anchors, fmt.Sprintf("%s-%d", a, n))
			} else {
				p.anchors = append(p.anchors, a)
			}
			seen[a]++
		}
		b.WriteString(line)
	}
	p.text = code.ReplaceAllString(b.String(), "")
	return p
}

func anchor(heading string) string {
	heading = link.ReplaceAllString(heading, "")
	return strings.Map(func(r rune) rune {
		switch {
		case r == ' ':
			return '-'
		case r == '-' || r == '_' || unicode.IsLetter(r) || unicode.IsDigit(r):
			return unicode.ToLower(r)
		}
		return -1
	}, heading)
}

// brokenLinks says which links of a document lead to no file or to no heading of one.
// read returns a file of the repository.
func brokenLinks(path, text string, read func(string) ([]byte, error)) (broken []string) {
	for _, m := range link.FindAllStringSubmatch(readPage(text).text, -1) {
		to, err := url.Parse(m[1])
		if err != nil {
			broken = append(broken, m[1]+": "+err.Error())
			continue
		}
		if to.Scheme != "" {
			continue
		}
		target, body := path, text
		if to.Path != "" {
			target = filepath.ToSlash(filepath.Join(filepath.Dir(path), to.Path))
			data, err := read(target)
			if err != nil {
				broken = append(broken, fmt.Sprintf("%s: there is no %s", m[1], target))
				continue
			}
			body = string(data)
		}
		if to.Fragment != "" && !slices.Contains(readPage(body).anchors, to.Fragment) {
			broken = append(broken, fmt.Sprintf("%s: %s has no such heading", m[1], target))
		}
	}
	return broken
}

func TestLinksOfDocumentsResolve(t *testing.T) {
	links := 0
	for _, path := range documents(t) {
		text, err := os.ReadFile(filepath.Join("..", path))
		if err != nil {
			t.Fatal(err)
		}
		links += len(link.FindAllString(readPage(string(text)).text, -1))
		for _, b := range brokenLinks(path, string(text), func(p string) ([]byte, error) { return os.ReadFile(filepath.Join("..", p)) }) {
			t.Errorf("%s links to %s", path, b)
		}
	}
	if links < 20 {
		t.Errorf("only %d links were found", links)
	}
}

// The check itself finds what is broken, and only that.
func TestBrokenLinksAreFound(t *testing.T) {
	files := map[string]string{"docs/other.md": "# Other page\n## A `key`, and more\n## Twice\n## Twice\n```\n# no heading\n```\n"}
	read := func(p string) ([]byte, error) {
		if f, ok := files[p]; ok {
			return []byte(f), nil
		}
		return nil, os.ErrNotExist
	}
	text := "# Here\n[a](other.md) [b](other.md#a-key-and-more) [c](#here) [d](https://example.org/x) [e](other.md#twice-1) `[f](none.md)`\n"
	if got := brokenLinks("docs/here.md", text, read); len(got) != 0 {
		t.Errorf("links that resolve are called broken: %q", got)
	}
	for _, wrong := range []string{"[a](absent.md)", "[a](other.md#no-heading)", "[a](#other-page)", "[a](other.md#twice-2)", "[a](docs/other.md)"} {
		if got := brokenLinks("docs/here.md", "# Here\n"+wrong+"\n", read); len(got) != 1 {
			t.Errorf("%s: %q", wrong, got)
		}
	}
}

var (
	testName   = regexp.MustCompile(`\b(?:Test|Fuzz|Benchmark)[A-Z][A-Za-z0-9]*`)
	runPattern = regexp.MustCompile(`-run ['"]?([^'" ` + "`" + `]+)`)
	makeTarget = regexp.MustCompile(`\bmake ([a-z][a-z-]*)`)
	settingKey = regexp.MustCompile(`^([a-z]+)\.([a-z_]+)(?:: .*)?$`)
	sourceFile = regexp.MustCompile(`^[\w./-]*\w+\.(?:go|sql|yml|service|txt|js)$`)
	identifier = regexp.MustCompile(`^(?:[A-Za-z]+\.)?[A-Za-z]*[a-z][A-Z][A-Za-z]*$`)
	word       = regexp.MustCompile(`[A-Za-z_][A-Za-z0-9_]*`)
	flagName   = regexp.MustCompile(`(?:^| )--([a-z][a-z-]+)`)
)

// foreignPrograms have flags of their own.
var foreignPrograms = []string{"sudo", "systemctl", "systemd-creds", "systemd-analyze", "usermod", "sha256sum", "apt-get", "promtool"}

// What documents name in code is there: tests, the patterns that run them, targets of make,
// configuration keys, flags and, in the pages for developers, files.
func TestDocumentsNameWhatIsThere(t *testing.T) {
	tests, files, words := named(t)
	makefile, err := os.ReadFile("../Makefile")
	if err != nil {
		t.Fatal(err)
	}
	keys := settingKeys(t)
	flags := map[string]bool{"help": true}
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		note := func(f *pflag.Flag) { flags[f.Name] = true }
		c.Flags().VisitAll(note)
		c.PersistentFlags().VisitAll(note)
		for _, s := range c.Commands() {
			walk(s)
		}
	}
	walk(newRoot())
	begins := func(name string) bool {
		return slices.ContainsFunc(tests, func(s string) bool { return strings.HasPrefix(s, name) })
	}
	contains := func(part string) bool {
		return slices.ContainsFunc(tests, func(s string) bool { return strings.Contains(s, part) })
	}
	checked := 0
	for _, path := range documents(t) {
		text, err := os.ReadFile(filepath.Join("..", path))
		if err != nil {
			t.Fatal(err)
		}
		for _, quoted := range code.FindAllString(string(text), -1) {
			quoted = strings.Trim(quoted, "`")
			checked++
			for _, name := range testName.FindAllString(quoted, -1) {
				if !begins(name) {
					t.Errorf("%s: there is no test %s", path, name)
				}
			}
			for _, m := range runPattern.FindAllStringSubmatch(quoted, -1) {
				first, _, _ := strings.Cut(strings.ReplaceAll(m[1], `\|`, "|"), "/") // the rest names subtests
				for part := range strings.SplitSeq(first, "|") {
					if !contains(strings.Trim(part, "^$")) {
						t.Errorf("%s: -run %s runs no test", path, part)
					}
				}
			}
			for _, m := range makeTarget.FindAllStringSubmatch(quoted, -1) {
				if !strings.Contains(string(makefile), "\n"+m[1]+":") {
					t.Errorf("%s: make has no target %s", path, m[1])
				}
			}
			if m := settingKey.FindStringSubmatch(quoted); m != nil && keys[m[1]] != nil && !keys[m[1]][m[2]] && !isJSONField(quoted) && !sourceFile.MatchString(quoted) {
				t.Errorf("%s: the configuration has no key %s.%s", path, m[1], m[2])
			}
			if first, _, _ := strings.Cut(quoted, " "); !slices.Contains(foreignPrograms, first) {
				for _, m := range flagName.FindAllStringSubmatch(quoted, -1) {
					if !flags[m[1]] {
						t.Errorf("%s: no command has the flag --%s", path, m[1])
					}
				}
			}
			if !strings.HasPrefix(path, "docs/dev/") && path != "DEVELOPERS.md" {
				continue
			}
			if sourceFile.MatchString(quoted) && !strings.HasPrefix(quoted, "-") &&
				!slices.ContainsFunc(files, func(f string) bool { return f == quoted || strings.HasSuffix(f, "/"+quoted) }) {
				t.Errorf("%s: there is no file %s", path, quoted)
			}
			if m := identifier.FindString(quoted); m != "" && !words[m[strings.LastIndex(m, ".")+1:]] {
				t.Errorf("%s: nothing is called %s", path, m)
			}
		}
	}
	if checked < 1000 {
		t.Errorf("only %d names in code were found", checked)
	}
}

// isJSONField says whether a name that looks like a key is a field that a command prints.
func isJSONField(name string) bool { return name == "job.name" || name == "job.sha256" }

// named returns the names of all tests, fuzz targets and benchmarks, the paths of all files,
// and all words of the code.
func named(t *testing.T) (tests, files []string, words map[string]bool) {
	t.Helper()
	function := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz|Benchmark)[A-Za-z0-9]+)\(`)
	words = map[string]bool{}
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == ".git" || path == filepath.Join("..", "build")):
			return filepath.SkipDir
		case d.IsDir():
			return nil
		}
		files = append(files, strings.TrimPrefix(filepath.ToSlash(path), "../"))
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if strings.HasSuffix(path, "_test.go") {
			for _, m := range function.FindAllStringSubmatch(string(text), -1) {
				tests = append(tests, m[1])
			}
		}
		for _, w := range word.FindAllString(string(text), -1) {
			words[w] = true
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return tests, files, words
}

// settingKeys are the keys of the configuration by their group, as the example lists them.
func settingKeys(t *testing.T) map[string]map[string]bool {
	t.Helper()
	groups := map[string]map[string]bool{}
	group := ""
	for line := range strings.Lines(string(config.Example())) {
		name, _, ok := strings.Cut(strings.TrimRight(line, "\n"), ":")
		switch {
		case !ok || strings.HasPrefix(strings.TrimSpace(name), "#"):
		case !strings.HasPrefix(name, " "):
			group = name
			groups[group] = map[string]bool{}
		case groups[group] != nil && strings.HasPrefix(name, "  ") && !strings.HasPrefix(name, "   "):
			groups[group][strings.TrimSpace(name)] = true
		}
	}
	if len(groups) < 5 {
		t.Fatalf("the example has only %d groups", len(groups))
	}
	return groups
}

// The page about the interface lists every address, and every field that a request takes.
func TestHTTPPageListsTheInterface(t *testing.T) {
	document, err := openapi3.NewLoader().LoadFromFile("api/openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile("../docs/http-api.md")
	if err != nil {
		t.Fatal(err)
	}
	addresses := 0
	for path, item := range document.Paths.Map() {
		for method, operation := range item.Operations() {
			addresses++
			row := rowOf(string(text), method, path)
			if row == "" {
				t.Errorf("docs/http-api.md does not list %s %s", method, path)
				continue
			}
			if operation.RequestBody == nil || operation.RequestBody.Value.Content["application/json"] == nil {
				continue
			}
			for field := range operation.RequestBody.Value.Content["application/json"].Schema.Value.Properties {
				if !strings.Contains(row, "`"+field+"`") {
					t.Errorf("docs/http-api.md does not list the field %s of %s %s", field, method, path)
				}
			}
		}
	}
	if addresses < 15 {
		t.Errorf("only %d addresses are described", addresses)
	}
}

// rowOf returns the row of the table that lists a method with a path.
func rowOf(text, method, path string) string {
	for line := range strings.Lines(text) {
		first, _, _ := strings.Cut(strings.TrimPrefix(line, "| "), " |")
		if strings.HasPrefix(line, "| `"+method+" ") && regexp.MustCompile("[ `]"+regexp.QuoteMeta(path)+"[?`]").MatchString(first) {
			return line
		}
	}
	return ""
}

// The page about the ledger lists every step of its schema.
func TestLedgerPageListsTheSteps(t *testing.T) {
	steps, err := filepath.Glob("../supervisor/ledger/steps/*.sql")
	if err != nil || len(steps) < 10 {
		t.Fatalf("%d steps, %v", len(steps), err)
	}
	text, err := os.ReadFile("../docs/dev/ledger.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range steps {
		if !strings.Contains(string(text), "`"+filepath.Base(s)+"`") {
			t.Errorf("docs/dev/ledger.md does not list %s", filepath.Base(s))
		}
	}
}
