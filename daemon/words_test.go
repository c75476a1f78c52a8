//go:build !race

// It reads texts in one goroutine.

package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"gopkg.in/yaml.v3"
)

// readable is a text that a person reads, and where it stands.
type readable struct{ where, text string }

var (
	templateAction = regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	markup         = regexp.MustCompile(`(?s)<(?:style|script)\b.*?</(?:style|script)>|<!--.*?-->|<[^>]*>`)
	shownAttribute = regexp.MustCompile(`(?:aria-label|title|alt|placeholder)="([^"]*)"`)
	jsonKey        = regexp.MustCompile(`"[a-z_]+":`)
	statement      = regexp.MustCompile(`\b(?:SELECT|INSERT|UPDATE|DELETE|CREATE|PRAGMA|FROM|WHERE)\b`)
)

// literals calls f with each string of a Go file, but for what skip leaves out. src is the
// file's text, nil to read it.
func literals(t *testing.T, file string, src any, skip func(ast.Node) bool, f func(where, text string)) {
	t.Helper()
	set := token.NewFileSet()
	parsed, err := parser.ParseFile(set, file, src, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(parsed, func(n ast.Node) bool {
		switch x := n.(type) {
		case *ast.ImportSpec, *ast.Field: // the latter holds tags
			return false
		case *ast.BasicLit:
			if text, err := strconv.Unquote(x.Value); err == nil && x.Kind == token.STRING {
				f(set.Position(x.Pos()).String(), text)
			}
		}
		return n == nil || !skip(n)
	})
}

// shown are the rooms whose texts reach pages, messages and events as well as a terminal. What
// a terminal alone is to run stands apart from them, as Refusal.Command does.
var shown = []string{"serialio", "supervisor", "daemon/screen", "daemon/alert", "daemon/report"}

// commandLine is a command of ours, a flag, or another program's, within a text.
func commandLine() *regexp.Regexp {
	names := []string{"usermod"}
	for _, c := range newRoot().Commands() {
		names = append(names, "beltwarden "+c.Name())
	}
	return regexp.MustCompile(`(^|[ ([])(` + strings.Join(names, "|") + `|--[a-z][a-z-]+)\b`)
}

// hidesCommand says whether a literal holds a command line among other words. One that is
// nothing but a command line is the value of a field of its own.
func hidesCommand(command *regexp.Regexp, text string) bool {
	at := command.FindStringIndex(text)
	return at != nil && strings.TrimLeft(text[:at[0]], " [(,;") != ""
}

// apart leaves out where command lines belong: a field Command, and the second value of an advice.
func apart(n ast.Node) bool {
	if x, is := n.(*ast.KeyValueExpr); is {
		k, is := x.Key.(*ast.Ident)
		return is && k.Name == "Command"
	}
	if x, is := n.(*ast.CompositeLit); is && len(x.Elts) == 2 {
		k, is := x.Type.(*ast.Ident)
		if is && k.Name == "advice" {
			x.Elts = x.Elts[:1]
		}
	}
	return false
}

// TestTextsHoldNoCommandLine: whoever reads a page or a message on a telephone has no command line.
func TestTextsHoldNoCommandLine(t *testing.T) {
	command := commandLine()
	for _, s := range sources(t, "..") {
		// Restoring a ledger, and the simulated machine, speak to a terminal alone.
		if !in(s.room, shown...) || in(s.room, "supervisor/ledger", "serialio/rig") {
			continue
		}
		literals(t, filepath.Join("..", s.file), nil, apart, func(where, text string) {
			if hidesCommand(command, text) {
				t.Errorf("%s: %q names a command line: put it into a Command of its own", where, text)
			}
		})
	}
	var got []string
	literals(t, "x.go", `package x
var a = Refusal{Remedy: "look, then confirm with --yes", Command: "run beltwarden start --yes"}
var b = advice{"let it go on", "as before: beltwarden check, then beltwarden unhold"}
var c = advice{"open it (beltwarden lot start JOB)", "beltwarden lot start JOB"}
var d = "set them again (scale --apply --store)"
var e = "beltwarden set 205 degrees"
var f = "let the user in (usermod USER)"`, apart, func(_, text string) {
		if hidesCommand(command, text) {
			got = append(got, text)
		}
	})
	want := "look, then confirm with --yes|open it (beltwarden lot start JOB)|set them again (scale --apply --store)|let the user in (usermod USER)"
	if strings.Join(got, "|") != want {
		t.Errorf("found %q, want %q", got, want)
	}
}

// refusedWord is a word that means what another one means, which is to be used.
type refusedWord struct {
	pattern   *regexp.Regexp
	word, not string
}

// refusedWords reads the table of docs/words.md: its last column says what not to write.
func refusedWords(table string) (list []refusedWord) {
	for line := range strings.Lines(table) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) != 4 || strings.HasPrefix(cells[0], "---") || strings.TrimSpace(cells[3]) == "not" {
			continue
		}
		for not := range strings.SplitSeq(cells[3], ",") {
			if not = strings.TrimSpace(not); not != "" {
				list = append(list, refusedWord{regexp.MustCompile(`(?i)\b` + regexp.QuoteMeta(not) + `\b`), strings.TrimSpace(cells[0]), not})
			}
		}
	}
	return list
}

// otherThings are phrases in which a refused word means something else.
var otherThings = regexp.MustCompile(`(?i)\b(smoke alarm|false alarm|small batches|material batch|log in again)\b`)

// wrongWords says which words of a text are to be others.
func wrongWords(refused []refusedWord, text string) (faults []string) {
	text = otherThings.ReplaceAllString(strings.Join(strings.Fields(text), " "), "")
	for _, r := range refused {
		if r.pattern.MatchString(text) {
			faults = append(faults, fmt.Sprintf("%q: write %q", r.not, r.word))
		}
	}
	return faults
}

// textsOf calls add with each text of a YAML file under one of the keys.
func textsOf(t *testing.T, file string, add func(where, text string), keys ...string) {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var root yaml.Node
	if err := yaml.Unmarshal(data, &root); err != nil {
		t.Fatal(err)
	}
	var walk func(n *yaml.Node)
	walk = func(n *yaml.Node) {
		for i, c := range n.Content {
			if n.Kind == yaml.MappingNode && i%2 == 1 && c.Kind == yaml.ScalarNode && slices.Contains(keys, n.Content[i-1].Value) {
				add(fmt.Sprintf("%s:%d", file, c.Line), templateAction.ReplaceAllString(c.Value, " "))
			}
			walk(c)
		}
	}
	walk(&root)
}

// readables gathers what a person reads of the program: pages and reports, every text in Go
// (screens of a terminal, errors, alerts, help of metrics, panels), help, documents, the
// description of the interface, the comments of the configuration, and alert rules.
func readables(t *testing.T) (list []readable) {
	t.Helper()
	add := func(where, text string) { list = append(list, readable{where, text}) }
	atLeast := func(kind string, n int) {
		if len(list) < n {
			t.Fatalf("%s: only %d texts were found", kind, len(list))
		}
	}
	for _, pattern := range []string{"screen/pages/*.html", "access/*.html", "report/*.tmpl"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %v", pattern, err)
		}
		for _, f := range files {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			text := templateAction.ReplaceAllString(string(data), " ")
			for _, m := range shownAttribute.FindAllStringSubmatch(text, -1) {
				add(f, m[1])
			}
			add(f, markup.ReplaceAllString(text, " "))
		}
	}
	atLeast("templates", 20)
	for _, s := range sources(t, "..") {
		if in(s.room, "serialio/rig", "supervisor/internal/baddisk", "supervisor/wall", "testdata") {
			continue
		}
		literals(t, filepath.Join("..", s.file), nil, func(ast.Node) bool { return false }, func(where, text string) {
			// A single word is a key of JSON as a rule, and a statement is SQL.
			if strings.Contains(strings.TrimSpace(text), " ") && !statement.MatchString(text) {
				add(where, text)
			}
		})
	}
	atLeast("Go", 2000)
	var help func(c *cobra.Command)
	help = func(c *cobra.Command) {
		add(c.CommandPath(), c.Short+"\n"+c.Long)
		c.Flags().VisitAll(func(f *pflag.Flag) { add(c.CommandPath()+" --"+f.Name, f.Usage) })
		for _, sub := range c.Commands() {
			help(sub)
		}
	}
	help(newRoot())
	for _, file := range append(documents(t), "config/example.yaml") {
		if file == "docs/words.md" || file == "DEVELOPERS.md" || strings.HasPrefix(file, "docs/dev/") { // what is refused; what speaks of code
			continue
		}
		data, err := os.ReadFile(filepath.Join("..", file))
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(string(data), "\n") {
			add(fmt.Sprintf("%s:%d", file, i+1), jsonKey.ReplaceAllString(code.ReplaceAllString(line, " "), " "))
		}
	}
	textsOf(t, "api/openapi.yaml", add, "description", "summary")
	textsOf(t, "../deploy/beltwarden.rules.yml", add, "description", "summary")
	atLeast("all", 5000)
	return list
}

// TestOneWordForAThing holds what people read to the words of docs/words.md.
func TestOneWordForAThing(t *testing.T) {
	table, err := os.ReadFile("../docs/words.md")
	if err != nil {
		t.Fatal(err)
	}
	refused := refusedWords(string(table))
	if len(refused) < 40 {
		t.Fatalf("docs/words.md refuses %d words", len(refused))
	}
	for _, r := range readables(t) {
		for _, fault := range wrongWords(refused, r.text) {
			t.Errorf("%s: %s (docs/words.md) in\n\t%.200s", r.where, fault, strings.Join(strings.Fields(r.text), " "))
		}
	}
	for text, want := range map[string]string{
		"3 parts are\n unseen":                        `"unseen": write "not looked at"`,
		"Unverified parts":                            `"unverified": write "not looked at"`,
		"the belt's joint is near":                    `"joint": write "seam"`,
		"Log in":                                      `"log in": write "sign in, sign out"`,
		"a smoke alarm, and small batches":            "",
		"joints, jointly, loginless, 3 not looked at": "",
		"the alarm of the batch":                      `"batch": write "lot"; "alarm": write "alert, receiver, level"`,
	} {
		if got := strings.Join(wrongWords(refused, text), "; "); got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
}
