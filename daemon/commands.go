package main

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// commandHelp says what each of the ten commands does here.
var commandHelp = map[supervisor.Command]string{
	supervisor.Reset:       "Connect to the board and make the machine ready",
	supervisor.Start:       "Begin or go on with the open lot",
	supervisor.Stop:        "End the run; the part is given up, unless with --after-part",
	supervisor.Hold:        "Hold after the part in progress",
	supervisor.Unhold:      "Go on after a hold",
	supervisor.Suspend:     "Wait after the part in progress for what is outside the machine",
	supervisor.Unsuspend:   "Go on after a suspension",
	supervisor.Abort:       "Stop at once, heaters off first; the part is lost",
	supervisor.Clear:       "Clear a fault after you have looked at it",
	supervisor.CompleteLot: "End the run after the part in progress, as if the lot were done",
}

// newCommands returns one command for each of the ten of ANSI/ISA-TR88.00.02.
func newCommands() []*cobra.Command {
	var list []*cobra.Command
	for _, command := range supervisor.Commands() {
		list = append(list, newCommand(command))
	}
	return list
}

func newCommand(command supervisor.Command) *cobra.Command {
	r := client.CommandRequest{Command: command}
	c := &cobra.Command{Use: strings.ToLower(command.String()), Short: commandHelp[command], Args: args(0, 0, "")}
	c.Flags().StringVar(&r.By, "by", "", "who asks (default: the user at the socket)")
	switch command {
	case supervisor.Start, supervisor.Unhold, supervisor.Unsuspend:
		c.Flags().StringVar(&r.Override, "override", "", "reason to go on against the machine's advice; it is recorded")
	case supervisor.Clear, supervisor.Reset:
		if command == supervisor.Clear {
			c.Flags().StringVar(&r.Mended, "mended", "", "what you repaired after a heat fault (required) or at a doubtful sensor; it is recorded")
		}
		c.Flags().BoolVar(&r.GoOn, "go-on", false, "then go on with the open lot if it may begin: the machine heats and moves by itself")
	case supervisor.Stop:
		c.Flags().BoolVar(&r.AfterPart, "after-part", false, "finish the part in progress first")
		c.Flags().BoolVar(&r.ClearBelt, "clear-belt", false, "run the parts on the belt off at the drop edge")
	}
	asJSON := c.Flags().Bool("json", false, "print the answer as JSON")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if f := c.Flag("override"); f != nil && f.Changed && strings.TrimSpace(r.Override) == "" {
			return usagef("cannot override the machine's advice: --override needs a reason in words")
		}
		return sendRequest(c, *asJSON, func(ctx context.Context, d *client.Client) (supervisor.Result, error) {
			result, err := d.Command(ctx, r)
			if p := new(client.Problem); command == supervisor.Start && r.Override == "" && errors.As(err, &p) && p.Status == http.StatusConflict && resets(ctx, d) {
				return d.Command(ctx, client.CommandRequest{Command: supervisor.Reset, GoOn: true, By: r.By})
			}
			return result, err
		})
	}
	return c
}

// resets reports whether a lot waits for a start in a state that a reset has to come before.
func resets(ctx context.Context, d *client.Client) bool {
	s, err := d.Status(ctx)
	return err == nil && (s.State == supervisor.Stopped || s.State == supervisor.Complete) &&
		s.Lot != nil && s.Lot.Status == ledger.LotOpen && s.Lot.Wanted > 0
}

// sendRequest sends the daemon a request, and prints the answer.
func sendRequest(c *cobra.Command, asJSON bool, send func(ctx context.Context, d *client.Client) (supervisor.Result, error)) error {
	return withDaemon(c, func(ctx context.Context, d *client.Client) error {
		result, err := send(ctx, d)
		if err != nil {
			return err
		}
		return printResult(ctx, c, d, result, asJSON)
	})
}

// printResult prints the daemon's answer to a request that was carried out, and which command comes next.
func printResult(ctx context.Context, c *cobra.Command, d *client.Client, r supervisor.Result, asJSON bool) error {
	if asJSON {
		return printJSON(c.OutOrStdout(), r)
	}
	s, err := d.Status(ctx)
	if err != nil {
		s = nil // the answer counts, and what comes next is a help only
	}
	return printLines(c.OutOrStdout(), wording.Answer(r, s, style(c.OutOrStdout())))
}
