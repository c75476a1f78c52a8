package main

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

var writeManual = flag.Bool("write-manual", false, "write deploy/package/beltwarden.1 and docs/cli.md anew")

const (
	manualFile    = "../deploy/package/beltwarden.1"
	commandsPage  = "../docs/cli.md"
	commandsBegin = "<!-- commands: begin; go test ./daemon -run TestManual -write-manual writes it anew -->\n"
	commandsEnd   = "<!-- commands: end -->\n"
)

// TestManual compares the manual page with the commands that there are. It is written with
// go test ./daemon -run TestManual -write-manual.
func TestManual(t *testing.T) {
	compareWritten(t, manualFile, func(string) (string, error) { return manual(), nil })
}

// TestManualPageOfCommands does the same for the page among the documents, of which a part
// between two marks is made from the commands.
func TestManualPageOfCommands(t *testing.T) {
	compareWritten(t, commandsPage, func(there string) (string, error) {
		before, rest, begun := strings.Cut(there, commandsBegin)
		_, after, ended := strings.Cut(rest, commandsEnd)
		if !begun || !ended {
			return "", fmt.Errorf("%s needs the line %q and, after it, %q", commandsPage, commandsBegin, commandsEnd)
		}
		return before + commandsBegin + commandsText() + commandsEnd + after, nil
	})
}

// compareWritten holds a file to what is made of it, or writes it again.
func compareWritten(t *testing.T, file string, made func(string) (string, error)) {
	t.Helper()
	there, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	want, err := made(string(there))
	if err != nil {
		t.Fatal(err)
	}
	if string(there) == want {
		return
	}
	if !*writeManual {
		t.Fatalf("%s is not what the commands make of it; go test ./daemon -run TestManual -write-manual writes it anew", file)
	}
	if err := os.WriteFile(file, []byte(want), 0o644); err != nil {
		t.Fatal(err)
	}
}

// commandsText is every command under its group, with its flags, and the exit statuses.
func commandsText() string {
	root := newRoot()
	var b strings.Builder
	var one func(c *cobra.Command)
	one = func(c *cobra.Command) {
		if c.Hidden || c.Name() == "help" || c.Name() == "completion" {
			return
		}
		if !c.HasSubCommands() || c.HasAvailableLocalFlags() {
			fmt.Fprintf(&b, "\n### `%s`\n\n%s.\n", strings.TrimPrefix(strings.TrimSuffix(c.UseLine(), " [flags]"), "beltwarden "), strings.TrimSuffix(c.Short, "."))
			var rows strings.Builder
			c.NonInheritedFlags().VisitAll(func(f *pflag.Flag) {
				if f.Hidden || f.Name == "help" {
					return
				}
				kind, usage := pflag.UnquoteUsage(f)
				if plain, ok := plainKinds[kind]; ok {
					kind = plain
				}
				fmt.Fprintf(&rows, "| `%s` | %s |\n", strings.TrimSpace("--"+f.Name+" "+kind), strings.ReplaceAll(usage, "|", "\\|"))
			})
			if rows.Len() > 0 {
				b.WriteString("\n| flag | meaning |\n|---|---|\n" + rows.String())
			}
		}
		for _, s := range c.Commands() {
			one(s)
		}
	}
	for _, g := range root.Groups() {
		fmt.Fprintf(&b, "\n## %s\n", strings.TrimSuffix(g.Title, ":"))
		for _, c := range root.Commands() {
			if c.GroupID == g.ID {
				one(c)
			}
		}
	}
	b.WriteString("\n## Exit statuses\n\n| status | meaning |\n|---|---|\n")
	for _, e := range exitMeanings {
		fmt.Fprintf(&b, "| %d | %s |\n", e.status, e.meaning)
	}
	b.WriteString("\n")
	return b.String()
}

// Every command is listed under a group, so that help and pages leave none out.
func TestEveryCommandHasAGroup(t *testing.T) {
	for _, c := range newRoot().Commands() {
		if c.GroupID == "" && c.Name() != "version" && c.Name() != "exit-statuses" {
			t.Errorf("%s is in no group", c.Name())
		}
	}
}

// roff writes a text so that nothing in it is taken for an order of the formatter (man(7)).
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`, "\u2019", "'").Replace(s)
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") {
			lines[i] = `\&` + l
		}
	}
	return strings.Join(lines, "\n")
}

func manual() string {
	root := newRoot()
	var b strings.Builder
	fmt.Fprintf(&b, ".TH BELTWARDEN 1 \"\" beltwarden \"User commands\"\n.SH NAME\nbeltwarden \\- %s\n", roff(strings.ToLower(root.Short[:1])+root.Short[1:]))
	fmt.Fprintf(&b, ".SH SYNOPSIS\n.B beltwarden\n.I command\n[\\fIarguments\\fR]\n.SH DESCRIPTION\n%s\n", paragraphs(root.Long))
	b.WriteString(".SH COMMANDS\n")
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		for _, s := range c.Commands() {
			if s.Hidden || s.Name() == "help" || s.Name() == "completion" {
				continue
			}
			if !s.HasSubCommands() {
				fmt.Fprintf(&b, ".SS %s\n%s.\n", roff(strings.TrimPrefix(c.CommandPath()+" "+s.Use, "beltwarden ")), roff(s.Short))
				s.NonInheritedFlags().VisitAll(func(f *pflag.Flag) {
					if f.Hidden || f.Name == "help" {
						return
					}
					kind, usage := pflag.UnquoteUsage(f)
					fmt.Fprintf(&b, ".TP\n.B %s\n%s\n", roff(strings.TrimSpace("--"+f.Name+" "+kind)), roff(usage))
				})
			}
			walk(s)
		}
	}
	walk(root)
	b.WriteString(".SH EXIT STATUS\n")
	for _, e := range exitMeanings {
		fmt.Fprintf(&b, ".TP\n.B %d\n%s\n", e.status, roff(e.meaning))
	}
	b.WriteString(".SH FILES\n.TP\n.I /etc/beltwarden/beltwarden.yaml\nthe configuration of the service\n.TP\n.I /var/lib/beltwarden/ledger.db\nthe ledger: the count of all that was made\n" +
		".TP\n.I /usr/share/doc/beltwarden/README.md\nwhere to begin; the pages beside it in docs say everything else\n")
	return b.String()
}

func paragraphs(s string) string {
	return strings.Join(strings.Split(roff(s), "\n\n"), "\n.PP\n")
}
