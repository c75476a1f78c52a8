package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

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

// within says whether a literal holds a command line among other words. One that is nothing
// but a command line is the value of a field of its own.
func within(command *regexp.Regexp, text string) bool {
	at := command.FindStringIndex(text)
	return at != nil && strings.TrimLeft(text[:at[0]], " [(,;") != ""
}

// literals calls f with each string of a parsed file, and where it stands.
func literals(t *testing.T, file string, src any, f func(at token.Position, text string)) {
	t.Helper()
	set := token.NewFileSet()
	parsed, err := parser.ParseFile(set, file, src, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(parsed, func(n ast.Node) bool {
		switch x := n.(type) {
		case *ast.ImportSpec, *ast.Field:
			return false
		case *ast.KeyValueExpr:
			if k, is := x.Key.(*ast.Ident); is && k.Name == "Command" {
				return false
			}
		case *ast.CompositeLit: // advice{what, command}
			if k, is := x.Type.(*ast.Ident); is && k.Name == "advice" && len(x.Elts) == 2 {
				ast.Inspect(x.Elts[0], func(n ast.Node) bool { return visitString(set, n, f) })
				return false
			}
		}
		return visitString(set, n, f)
	})
}

func visitString(set *token.FileSet, n ast.Node, f func(at token.Position, text string)) bool {
	if l, is := n.(*ast.BasicLit); is && l.Kind == token.STRING {
		if text, err := strconv.Unquote(l.Value); err == nil {
			f(set.Position(l.Pos()), text)
		}
	}
	return true
}

// TestTextsHoldNoCommandLine: whoever reads a page or a message on a telephone has no command line.
func TestTextsHoldNoCommandLine(t *testing.T) {
	command := commandLine()
	for _, s := range sources(t, "..") {
		// Restoring a ledger, and the simulated machine, speak to a terminal alone.
		if !in(s.room, shown...) || in(s.room, "supervisor/ledger", "serialio/rig") {
			continue
		}
		literals(t, filepath.Join("..", s.file), nil, func(at token.Position, text string) {
			if within(command, text) {
				t.Errorf("%s: %q names a command line: put it into a Command of its own", at, text)
			}
		})
	}
	var got []string
	literals(t, "x.go", `package x
var a = Refusal{Remedy: "look, then confirm with --yes", Command: "beltwarden start --yes"}
var b = advice{"let it go on", "beltwarden check, then beltwarden unhold"}
var c = advice{"open it (beltwarden lot start JOB)", "beltwarden lot start JOB"}
var d = "set them again (scale --apply --store)"
var e = "beltwarden set 205 degrees"
var f = "let the user in (usermod USER)"`, func(_ token.Position, text string) {
		if within(command, text) {
			got = append(got, text)
		}
	})
	want := "look, then confirm with --yes|open it (beltwarden lot start JOB)|set them again (scale --apply --store)|let the user in (usermod USER)"
	if strings.Join(got, "|") != want {
		t.Errorf("found %q, want %q", got, want)
	}
}
