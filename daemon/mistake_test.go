package main

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"beltwarden/daemon/wording"
)

// TestMistakesSayWhatToWrite: a flag that is almost right is named, a value says what it must be, and what is
// missing comes with an example.
func TestMistakesSayWhatToWrite(t *testing.T) {
	for _, c := range []struct {
		args   []string
		status int
		want   string
	}{
		{[]string{"check", "--offset", "3"}, exitUsage, "hint: did you mean: --offset-mm\n"},
		{[]string{"check", "--ofset-mm", "3"}, exitUsage, "hint: did you mean: --offset-mm\n"},
		{[]string{"check", "--zzzzz"}, exitUsage, "hint: see: beltwarden check --help\n"},
		{[]string{"check", "--good", "x"}, exitUsage, `--good "x": write a whole number` + "\n"},
		{[]string{"check", "--offset-mm", "0,4"}, exitUsage, `--offset-mm "0,4": write a number such as 0.4` + "\n"},
		{[]string{"lot", "start", "x.gcode"}, exitUsage, "hint: for example: beltwarden lot start stake-clip.gcode --good 40\n"},
		{[]string{"check", "--good", "-1"}, exitUsage, "hint: see: beltwarden check --help\n"},
		{[]string{"status", "--daemon", "/nowhere/s"}, exitUnreachable, "error: cannot reach the daemon at /nowhere/s: no such file or directory\n"},
		{[]string{"status", "--daemon", "/nowhere/s"}, exitUnreachable, "hint: while no daemon runs nobody watches the machine: look at it if it may be hot\n"},
	} {
		status := 0
		text := printed(t, func() { status = execute(c.args) })
		if status != c.status || !strings.Contains(text, c.want) {
			t.Errorf("%q: status %d, %q, want %q", c.args, status, text, c.want)
		}
	}
}

// TestCalledAlone shows the caution and the first commands on a small terminal; each of them exists.
func TestCalledAlone(t *testing.T) {
	text := printed(t, func() { execute(nil) })
	if n := strings.Count(text, "\n"); n > 20 || !strings.Contains(text, "not a safety device") {
		t.Errorf("%d lines: %s", n, text)
	}
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, "  beltwarden "); ok {
			if c, _, err := newRoot().Find(strings.Fields(rest)); err != nil || !c.HasParent() {
				t.Errorf("%q: %v", line, err)
			}
		}
	}
}

// TestHelpFitsATerminal of 80 columns, but for examples and tables, and names no kind of the library.
func TestHelpFitsATerminal(t *testing.T) {
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		for line := range strings.Lines(printed(t, func() { execute(append(strings.Fields(c.CommandPath())[1:], "--help")) })) {
			line = strings.TrimSuffix(line, "\n")
			if len([]rune(line)) > 80 && (!strings.HasPrefix(line, "  ") || strings.Contains(line, "--")) && !strings.HasPrefix(line, "  beltwarden ") {
				t.Errorf("%s: %d columns: %q", c.CommandPath(), len([]rune(line)), line)
			}
			if strings.Contains(line, "float64Slice") || strings.Contains(line, "stringArray ") || strings.Contains(line, "(default [])") {
				t.Errorf("%s: %q", c.CommandPath(), line)
			}
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(newRoot())
}

// TestTroubleAtATerminal keeps alternatives in the sentence, and gives each step a line.
func TestTroubleAtATerminal(t *testing.T) {
	st := wording.Style{Width: 80, Terminal: true}
	for hint, want := range map[string]string{
		"record one, or give a reason: beltwarden check, or --override REASON": "hint: record one, or give a reason: beltwarden check, or --override REASON",
		"do both: beltwarden check, then beltwarden unhold":                    "hint: do both:\n  beltwarden check\n  beltwarden unhold",
		"one\ntwo": "hint: one\nhint: two",
		"":         "",
	} {
		got := strings.Join(wording.Trouble("cannot do it", nil, hint, st), "\n")
		if want = strings.TrimSuffix("error: cannot do it\n"+want, "\n"); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
