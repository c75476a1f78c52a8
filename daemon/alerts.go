package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
)

func newAlert() *cobra.Command {
	c := group(&cobra.Command{Use: "alert", Short: "See, test and acknowledge alerts"})
	c.AddCommand(newAlertList(), newAlertTest(), newAlertSend(), newAlertAcknowledge())
	return c
}

func newAlertList() *cobra.Command {
	c := &cobra.Command{Use: "list", Short: "Show each receiver and what is still to be sent to it", Args: args(0, 0, "")}
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		return withDaemon(c, func(ctx context.Context, d *client.Client) error {
			list, err := d.Alerts(ctx)
			if err != nil {
				return err
			}
			if *asJSON {
				return printJSON(c.OutOrStdout(), list)
			}
			return writeReceivers(c.OutOrStdout(), list)
		})
	}
	return c
}

// writeReceivers lists receivers, and below them what keeps alerts from those that do not
// get them.
func writeReceivers(w io.Writer, list []client.Receiver) error {
	if len(list) == 0 {
		_, err := fmt.Fprintln(w, "alerts go to nobody: add receivers to the section alerts of the configuration")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "receiver\tkind\tcalled\tdelivered\twaiting\theld back\t")
	for _, c := range list {
		called := "no more"
		if c.Configured {
			called = [...]string{"at once", "at once", "second", "third"}[min(3, max(0, c.Level))]
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%d\t%d\t\n", wording.Printable(c.Name), c.Kind, called, c.Delivered, c.Pending, c.KeptBack)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	var b strings.Builder
	for _, c := range list {
		if !c.Configured || c.Pending == 0 {
			continue
		}
		fmt.Fprintf(&b, "%s waits for %s, the oldest %s old", wording.Printable(c.Name), wording.Count(c.Pending, "alert"), wording.Span(time.Duration(c.OldestAgeS*float64(time.Second))))
		if c.LastError != "" {
			b.WriteString(": " + wording.Printable(c.LastError))
		}
		b.WriteString("\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func newAlertTest() *cobra.Command {
	c := &cobra.Command{
		Use: "test [RECEIVER...]", Short: "Send a test message and show whether it was accepted", Args: args(0, -1, ""),
		Long: "test sends a message to the named receivers, or to all, now and\n" +
			"ahead of what waits. A receiver that accepts it has not necessarily\n" +
			"reached a person: check that it arrived.",
	}
	asJSON := c.Flags().Bool("json", false, "print the answer as JSON")
	c.RunE = func(c *cobra.Command, names []string) error {
		return withDaemon(c, func(ctx context.Context, d *client.Client) error {
			list, err := d.Alerts(ctx)
			if err != nil {
				return err
			}
			if len(names) == 0 {
				for _, one := range list {
					if one.Configured {
						names = append(names, one.Name)
					}
				}
				if len(names) == 0 {
					return &failure{status: exitRefused, err: fmt.Errorf("cannot send a test: no receiver of alerts is configured"),
						hint: "add one to the section alerts of the configuration, and restart the daemon"}
				}
			}
			var answers []client.AlertTested
			for _, name := range names {
				one, err := d.TestAlert(ctx, name)
				if err != nil {
					return err
				}
				answers = append(answers, one)
			}
			return printTests(c, answers, *asJSON)
		})
	}
	return c
}

func newAlertSend() *cobra.Command {
	var file string
	var within time.Duration
	c := &cobra.Command{
		Use: "send --config FILE TEXT", Short: "Send a text to all receivers while no daemon runs", Args: args(1, 1, "give the text as one argument, in quotes"),
		Long: "send sends a text to every receiver in the configuration, at once and without the\n" +
			"daemon, and tries again where it fails. From a configuration with\n" +
			"mistakes it uses the receivers it can read, and lists the mistakes. The\n" +
			"service manager runs it when the daemon has ended for good\n" +
			"(beltwarden-failed.service).",
	}
	c.Flags().StringVar(&file, "config", "", "configuration file")
	c.Flags().DurationVar(&within, "within", time.Minute, "longest time to try")
	c.RunE = func(c *cobra.Command, text []string) error {
		if err := needFlags(c, "config"); err != nil {
			return err
		}
		if within <= 0 {
			return usagef("cannot send: --within %s: write a time such as 5m", within)
		}
		if strings.TrimSpace(text[0]) == "" {
			return usagef("cannot send: the text is empty")
		}
		cfg, mistakes, err := rescued(c.ErrOrStderr(), file)
		if err != nil {
			return err
		}
		err = callAll(c.Context(), c.OutOrStdout(), cfg, within, text[0])
		if err == nil && mistakes.Touches("alerts") {
			err = &failure{status: exitConfig, err: errors.New("some receivers may not have been called: see the mistakes above")}
		}
		return err
	}
	return c
}

// rescued reads a configuration for who must act in spite of its mistakes, which are reported.
// The error is of one that cannot be read at all.
func rescued(w io.Writer, file string) (*config.Settings, config.Errors, error) {
	cfg, err := config.LoadPartial(file)
	if cfg == nil || err == nil {
		return cfg, nil, err
	}
	var mistakes config.Errors
	errors.As(err, &mistakes)
	tell(w, err)
	return cfg, mistakes, nil
}

// callAll calls everybody without a daemon, and says how many it reached.
func callAll(ctx context.Context, w io.Writer, cfg *config.Settings, within time.Duration, text string) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	reached, err := app.Call(ctx, cfg, version, text)
	if reached > 0 {
		fmt.Fprintf(w, "accepted by %s\n", wording.Count(reached, "receiver"))
	}
	if err == nil && reached == 0 {
		err = errors.New("no receiver of alerts is configured")
	}
	if err != nil {
		return &failure{status: exitRefused, err: errors.New("cannot reach every receiver"), details: strings.Split(err.Error(), "\n"),
			hint: "look at the section alerts of the configuration, and at the network"}
	}
	return nil
}

// printTests prints what came of tests; one that did not arrive is a failure.
func printTests(c *cobra.Command, answers []client.AlertTested, asJSON bool) error {
	if asJSON {
		if err := printJSON(c.OutOrStdout(), answers); err != nil {
			return err
		}
	}
	for _, a := range answers {
		if a.Arrived && !asJSON {
			if _, err := fmt.Fprintf(c.OutOrStdout(), "%s accepted it after %.1f s: check that it arrived\n", wording.Printable(a.Receiver), a.TookS); err != nil {
				return err
			}
		}
	}
	var details []string
	for _, a := range answers {
		if !a.Arrived {
			details = append(details, wording.Printable(a.Receiver+": "+a.Error))
		}
	}
	if len(details) > 0 {
		return &failure{status: exitRefused, err: fmt.Errorf("cannot reach %s of %d", wording.Count(len(details), "receiver"), len(answers)),
			details: details, hint: "until that is fixed, nobody is called there"}
	}
	return nil
}

func newAlertAcknowledge() *cobra.Command {
	var by string
	c := &cobra.Command{
		Use: "acknowledge", Short: "Acknowledge the alerts so far, so that nobody else is called", Args: args(0, 0, ""),
		Long: "acknowledge moves and heats nothing. A machine that would resume by itself then waits.\n" +
			"Any command or check acknowledges too.",
	}
	c.Flags().StringVar(&by, "by", "", "who acknowledges (default: the user at the socket)")
	c.RunE = func(c *cobra.Command, _ []string) error {
		return withDaemon(c, func(ctx context.Context, d *client.Client) error {
			if err := d.Acknowledge(ctx, by); err != nil {
				return err
			}
			list, err := d.Alerts(ctx)
			if err != nil {
				return err
			}
			text := "noted"
			if slices.ContainsFunc(list, func(c client.Receiver) bool { return c.Configured && c.Level > 1 }) {
				text += ": acknowledged: nobody else is called about the alerts so far"
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), text)
			return err
		})
	}
	return c
}
