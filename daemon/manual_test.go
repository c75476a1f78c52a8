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

var writeManual = flag.Bool("write-manual", false, "write deploy/package/beltwarden.1 anew")

const manualFile = "../deploy/package/beltwarden.1"

// TestManual compares the manual page with the commands that there are. It is written with
// go test ./daemon -run TestManual -write-manual.
func TestManual(t *testing.T) {
	want := manual()
	if *writeManual {
		if err := os.WriteFile(manualFile, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	there, err := os.ReadFile(manualFile)
	if err != nil {
		t.Fatal(err)
	}
	if string(there) != want {
		t.Error("the manual page is not that of the commands; go test ./daemon -run TestManual -write-manual writes it anew")
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
		".TP\n.I /usr/share/doc/beltwarden/README.md\neverything else\n")
	return b.String()
}

func paragraphs(s string) string {
	return strings.Join(strings.Split(roff(s), "\n\n"), "\n.PP\n")
}
