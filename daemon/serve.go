package main

import (
	"fmt"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/app"
)

func newServe() *cobra.Command {
	var file string
	c := &cobra.Command{
		Use: "serve [--config FILE]", Short: "Run the daemon that works the machine", Args: args(0, 0, ""),
		Long: "serve connects to the machine and works it until a signal ends it; then it switches\n" +
			"the heaters off and ends. It waits for a port or board that is not there, and\n" +
			"status says so. A wrong configuration, a ledger that cannot be used or an address\n" +
			"in use end it at once.\n\n" +
			"Without a configuration, at a terminal, it guides you to a first one, as config new\n" +
			"does: it heats and moves nothing, and starts nothing.",
	}
	c.Flags().StringVar(&file, "config", "", "configuration file (default "+defaultConfig+")")
	c.RunE = func(c *cobra.Command, _ []string) error {
		given := file != ""
		if !given {
			file = defaultConfig
		}
		if blank(file) {
			return firstRun(c, file, given)
		}
		cfg, err := config.Load(file)
		if err != nil {
			return err
		}
		// A log that nobody reads any more must not end the process with the
		// heaters on.
		signal.Ignore(syscall.SIGPIPE)
		a, err := app.New(c.Context(), app.Options{Config: cfg, File: file, Version: thisBuild().Version})
		if err != nil {
			return err
		}
		if style(c.OutOrStdout()).Terminal {
			fmt.Fprintln(c.OutOrStdout(), "from another terminal: beltwarden "+daemonFlag(cfg)+"status --watch; Ctrl-C here ends the daemon, heaters off first")
		}
		return a.Run(c.Context())
	}
	return c
}

// daemonFlag is what a command needs to reach the daemon of this configuration,
// or nothing when it looks there anyway.
func daemonFlag(cfg *config.Settings) string {
	switch s := cfg.Server; {
	case s.Socket == config.Default().Server.Socket:
		return ""
	case s.Socket != "":
		return "--daemon " + s.Socket + " "
	default:
		return "--daemon http://" + s.Listen + " "
	}
}
