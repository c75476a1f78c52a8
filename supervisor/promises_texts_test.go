package supervisor

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// notPromised are texts that only look like a promise: options, names of fields, measurements.
var notPromised = []string{`json:"certainty"`, `"certainty"`, "99 % within"}

// sounds matches a text that prints something with a certainty.
var sounds = regexp.MustCompile(`\b9\d(\.\d+)? %|\bcertainty\b|95 of 100|in a million|worth correcting`)

// TestEveryPromiseHasARow compares the texts of the program with the table.
func TestEveryPromiseHasARow(t *testing.T) {
	withoutRace(t)
	var says []string
	tests, texts := map[string]bool{}, map[string]string{}
	for _, p := range promises() {
		if (p.proved == "") == (len(p.kinds) == 0) {
			t.Errorf("%s: is it tried here, or elsewhere?", p.name)
		}
		says = append(says, p.says...)
	}
	read := func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		switch filepath.Ext(path) {
		case ".go":
		case ".html", ".tmpl":
			page, err := os.ReadFile(path)
			for line := range strings.Lines(strings.ReplaceAll(string(page), "&nbsp;", " ")) {
				if sounds.MatchString(line) {
					texts[line] = path
				}
			}
			return err
		default:
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		if strings.HasSuffix(path, "_test.go") {
			for _, d := range file.Decls {
				if f, is := d.(*ast.FuncDecl); is {
					tests[f.Name.Name] = true
				}
			}
			return nil
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if l, is := n.(*ast.BasicLit); is && l.Kind == token.STRING && sounds.MatchString(l.Value) {
				texts[l.Value] = path
			}
			return true
		})
		return nil
	}
	for _, dir := range []string{".", "../daemon", "../config", "../deploy"} {
		if err := filepath.WalkDir(dir, read); err != nil {
			t.Fatal(err)
		}
	}
	in := func(text string, list []string) bool {
		for _, s := range list {
			if strings.Contains(text, s) {
				return true
			}
		}
		return false
	}
	for text, path := range texts {
		if !in(text, says) && !in(text, notPromised) {
			t.Errorf("%s: printed with a certainty, and in no row of the table of promises: %s", path, text)
		}
	}
	for _, s := range append(says, notPromised...) {
		found := false
		for text := range texts {
			found = found || strings.Contains(text, s)
		}
		if !found {
			t.Errorf("nothing in the program says %q any more", s)
		}
	}
	for _, p := range promises() {
		if p.proved != "" && !tests[p.proved[strings.LastIndex(p.proved, ".")+1:]] {
			t.Errorf("%s: there is no test %s", p.name, p.proved)
		}
	}
}
