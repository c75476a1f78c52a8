package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/config"
)

// Environment variables that say where the daemon is and which file holds the
// secret that it requires at an address other than its socket.
const (
	daemonVariable = "BELTWARDEN_DAEMON"
	secretVariable = "BELTWARDEN_SECRET_FILE"
	// authorityVariable names the file with the certificate that an https daemon is trusted by.
	authorityVariable = "BELTWARDEN_AUTHORITY_FILE"
)

// Help lists commands in the order in which they are wanted, not by alphabet.
func init() {
	cobra.EnableCommandSorting = false
	cobra.AddTemplateFunc("plain", plainFlags)
	cobra.AddTemplateFunc("reflow", reflow)
}

// newRoot returns the program's command tree. It keeps no state of its own, so
// that tests can build as many as they like.
func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "beltwarden",
		Short: "Make small lots on a belt printer and keep the count",
		Long: "beltwarden makes lots of parts on a filament printer whose bed is a belt:\n" +
			"it repeats a sliced job until all ordered good parts are made, moves each part\n" +
			"off the belt, keeps the count, and calls you when you must be at the machine.\n\n" +
			"It is not a safety device. Hot parts burn, a moving belt draws fingers in, and a\n" +
			"heater that fails can start a fire: have someone awake within reach, and a switch\n" +
			"that cuts the mains. Local codes come first.",
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	colour := colourAuto
	root.SetOut(&output{raw: os.Stdout, colour: &colour})
	root.SetErr(&output{raw: os.Stderr, colour: &colour})
	root.CompletionOptions.HiddenDefaultCmd = true
	root.PersistentFlags().String("daemon", "", "socket path or http address of the daemon (default $"+daemonVariable+" or "+config.Default().Server.Socket+")")
	root.PersistentFlags().String("secret-file", "", "file with the secret for a daemon at an http address (default $"+secretVariable+")")
	root.PersistentFlags().String("authority-file", "", "file with the certificate to trust for a daemon at an https address (default $"+authorityVariable+", or the system's)")
	root.PersistentFlags().Var(&colour, "color", "when to use bold and colour: auto (at a terminal, unless NO_COLOR is set), always or never")
	root.SetFlagErrorFunc(flagMistake)
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages ", ".FlagUsagesWrapped 80 | plain "))
	root.SetHelpTemplate(strings.Replace(root.HelpTemplate(), "trimTrailingWhitespaces", "trimTrailingWhitespaces | reflow", 1))
	group(root)
	others := root.RunE
	root.RunE = func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			_, err := io.WriteString(c.OutOrStdout(), firstSteps)
			return err
		}
		return others(c, args)
	}
	addGroups(root)
	return root
}

// addGroups adds every command under what a person wants, most wanted first.
func addGroups(root *cobra.Command) {
	template := root.UsageTemplate()
	for _, g := range []struct {
		id, title string
		remote    bool // its commands talk to a daemon
		commands  []*cobra.Command
	}{
		{"make", "Make parts", true, append([]*cobra.Command{newLot()}, newCommands()...)},
		{"visit", "Record a visit, align, correct", true, []*cobra.Command{newCheck(), newTrial(), newScale(), newSetup()}},
		{"look", "Look, and be called", true, []*cobra.Command{newStatus(), newWall(), newAlert(), newInvite()}},
		{"setup", "Set up and maintain", false, []*cobra.Command{newConfig(), newPorts(), newServe(), newLedger(), newCool()}},
		{"alone", "Without a machine", false, []*cobra.Command{newDemo(), newInspect(), newPlan(), newChart(), newForecast(), newRig()}},
	} {
		root.AddGroup(&cobra.Group{ID: g.id, Title: g.title + ":"})
		for _, c := range g.commands {
			c.GroupID = g.id
			c.SetUsageTemplate(withoutGlobals(template, g.remote))
			root.AddCommand(c)
		}
	}
	root.AddCommand(newVersion(), newExitStatuses())
	completions(root)
}

// withoutGlobals takes the description of the global flags out of the library's template of
// usage: the help of the program has it. What talks to a daemon names them in one line.
func withoutGlobals(template string, remote bool) string {
	before, rest, ok := strings.Cut(template, "{{if .HasAvailableInheritedFlags}}")
	_, after, ended := strings.Cut(rest, "{{end}}")
	if !ok || !ended {
		panic("the library's template of usage has no global flags")
	}
	if remote {
		before += "\n\nFor a daemon at another address: --daemon, --secret-file, --authority-file\n(see beltwarden --help)"
	}
	return before + after
}

// group makes a command that only holds others: alone it prints its help, and a
// word it does not know is a mistake on the command line.
func group(c *cobra.Command) *cobra.Command {
	c.Args = cobra.ArbitraryArgs
	c.RunE = func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return c.Help()
		}
		hint := "see: " + c.CommandPath() + " --help"
		if near := c.SuggestionsFor(args[0]); len(near) > 0 {
			hint = "did you mean: " + c.CommandPath() + " " + strings.Join(near, ", or ")
		}
		return &failure{status: exitUsage, err: fmt.Errorf("cannot run %q: %s has no such command", args[0], c.CommandPath()), hint: hint}
	}
	c.SuggestionsMinimumDistance = 2
	return c
}

// args returns a check of the number of arguments whose message says what the
// arguments are. most below 0 sets no bound.
func args(least, most int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) >= least && (most < 0 || len(args) <= most) {
			return nil
		}
		problem := "it takes " + what
		if most == 0 {
			problem = "it takes no arguments"
		}
		return &failure{status: exitUsage, err: fmt.Errorf("cannot run %q: %s, and %d were given", c.CommandPath(), problem, len(args)),
			hint: example(c)}
	}
}

// needFlags reports every flag in names that was not given.
func needFlags(c *cobra.Command, names ...string) error {
	var missing []string
	for _, name := range names {
		if !c.Flags().Changed(name) {
			missing = append(missing, "--"+name)
		}
	}
	if len(missing) == 0 {
		return nil
	}
	return &failure{status: exitUsage, err: fmt.Errorf("cannot run %q: %s must be given", c.CommandPath(), strings.Join(missing, " and ")),
		hint: example(c)}
}

// daemonAddress is where the daemon listens: the flag, the environment, or the
// socket of a configuration that names none.
func daemonAddress(c *cobra.Command) (string, error) {
	if f := c.Flag("daemon"); f != nil && f.Changed {
		if f.Value.String() == "" {
			return "", usagef("cannot reach the daemon: --daemon is empty")
		}
		return f.Value.String(), nil
	}
	if v := os.Getenv(daemonVariable); v != "" {
		return v, nil
	}
	if s := config.Default().Server.Socket; s != "" {
		return s, nil
	}
	return "", errors.New("cannot reach the daemon: no address is given")
}

// newExitStatuses is a help topic.
func newExitStatuses() *cobra.Command {
	var b strings.Builder
	b.WriteString("Every command ends with one of these exit statuses:\n\n")
	for _, e := range exitMeanings {
		fmt.Fprintf(&b, "  %2d  %s\n", e.status, e.meaning)
	}
	return &cobra.Command{Use: "exit-statuses", Short: "What the exit statuses mean", Long: b.String()}
}
