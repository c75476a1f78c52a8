package main

import (
	"errors"
	"fmt"
	"net"
	"os"
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"beltwarden/daemon/wording"
)

// valueKinds are what to write for a flag, by the library's name of its kind.
var valueKinds = map[string]string{"int": "a whole number", "int64": "a whole number", "intSlice": "whole numbers, separated by commas",
	"int64Slice": "whole numbers, separated by commas", "float64": "a number such as 0.4", "float64Slice": "numbers such as 0.4, separated by commas",
	"duration": "a time such as 5m", "bool": "true or false"}

// flagMistake words what is wrong with a flag, and what to write.
func flagMistake(c *cobra.Command, err error) error {
	what := err.Error()
	hint := "see: " + c.CommandPath() + " --help"
	var unknown *pflag.NotExistError
	var invalid *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown):
		if near := nearFlags(c, unknown.GetSpecifiedName()); len(near) > 0 {
			hint = "did you mean: " + strings.Join(near, ", or ")
		}
	case errors.As(err, &invalid) && valueKinds[invalid.GetFlag().Value.Type()] != "":
		what = fmt.Sprintf("--%s %q: write %s", invalid.GetFlag().Name, invalid.GetValue(), valueKinds[invalid.GetFlag().Value.Type()])
	}
	return &failure{status: exitUsage, err: fmt.Errorf("cannot read the flags of %q: %s", c.CommandPath(), what), hint: hint}
}

// nearFlags are the flags that somebody may have meant: those that begin with the word, or are almost it.
func nearFlags(c *cobra.Command, word string) (near []string) {
	// The library compares names of commands so; a flag is looked up as a command of its name.
	names := &cobra.Command{SuggestionsMinimumDistance: 2}
	c.Flags().VisitAll(func(f *pflag.Flag) {
		if !f.Hidden {
			names.AddCommand(&cobra.Command{Use: f.Name, Run: func(*cobra.Command, []string) {}})
		}
	})
	if word == "" {
		return nil
	}
	for _, n := range names.SuggestionsFor(word) {
		near = append(near, "--"+n)
	}
	slices.Sort(near)
	return near
}

// example is the hint for an argument or a flag that is missing: the first example of the command.
func example(c *cobra.Command) string {
	first, _, _ := strings.Cut(strings.TrimSpace(c.Example), "\n")
	if first = strings.TrimSpace(first); first == "" {
		return "see: " + c.CommandPath() + " --help"
	}
	return "for example: " + first
}

// unreached is why no daemon was reached, without the library's names of calls.
func unreached(err error) string {
	if call := new(os.SyscallError); errors.As(err, &call) {
		return call.Err.Error()
	}
	if op := new(net.OpError); errors.As(err, &op) && op.Err != nil {
		return op.Err.Error()
	}
	return err.Error()
}

// plainKinds are the library's names of kinds of values in the help of flags, as people write them.
var plainKinds = map[string]string{"string": "TEXT", "strings": "TEXT,...", "stringArray": "TEXT", "int": "N", "uint": "N", "float": "X",
	"ints": "N,...", "int64Slice": "N,...", "float64Slice": "X,...", "duration": "TIME"}

var kindInHelp = regexp.MustCompile(`(?m)^( +(?:-\w, )?--[a-z0-9-]+ )([a-zA-Z0-9]+)`)

// plainFlags puts people's names of kinds into the help of flags, and leaves out defaults that say nothing.
func plainFlags(text string) string {
	text = kindInHelp.ReplaceAllStringFunc(text, func(found string) string {
		m := kindInHelp.FindStringSubmatch(found)
		kind, ok := plainKinds[m[2]]
		if !ok {
			return found
		}
		return m[1] + kind + strings.Repeat(" ", max(0, len(m[2])-len(kind)))
	})
	return strings.ReplaceAll(text, " (default [])", "")
}

// reflow wraps the paragraphs of a help text to a terminal of 80 columns; what is indented, such as a
// table, stays as it is.
func reflow(text string) string {
	var out, paragraph []string
	flush := func() {
		if len(paragraph) > 0 {
			out = append(out, wording.Style{Width: 80}.Note(strings.Join(paragraph, " "))...)
			paragraph = nil
		}
	}
	for _, line := range strings.Split(text, "\n") {
		if line != "" && line[0] != ' ' {
			paragraph = append(paragraph, line)
			continue
		}
		flush()
		out = append(out, line)
	}
	flush()
	return strings.Join(out, "\n")
}

// firstSteps is what the program says when it is called alone: it fits a small terminal.
const firstSteps = `beltwarden makes lots of parts on a filament printer whose bed is a belt, keeps
the count, and calls you when you must be at the machine.

It is not a safety device. Hot parts burn, a moving belt draws fingers in, and a
heater that fails can start a fire: have someone awake within reach, and a switch
that cuts the mains. Local codes come first.

  beltwarden demo                     try it on a simulated machine
  beltwarden config new machine.yaml  write a first configuration
  beltwarden serve --config FILE      run the daemon that works the machine
  beltwarden lot start JOB --good N   order good parts, and begin
  beltwarden status                   when to be there, why, and what to do
  beltwarden check --good N           record a visit
  beltwarden hold                     wait after this part; also: stop, abort

All commands: beltwarden help. One of them: beltwarden COMMAND --help
`
