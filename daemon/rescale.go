package main

import (
	"context"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/belt"
)

// applyFlags are the flags of scale that change the machine.
type applyFlags struct {
	apply, undo, store bool
	by                 string
}

func (a *applyFlags) define(c *cobra.Command) {
	f := c.Flags()
	f.BoolVar(&a.apply, "apply", false, "set the new steps/mm on the board, by the running daemon, and read them back")
	f.BoolVar(&a.undo, "undo", false, "set back what the last --apply or --undo has changed; takes no measurements")
	f.BoolVar(&a.store, "store", false, "also have the board keep all its settings, as they are now, over a restart")
	f.StringVar(&a.by, "by", "", "who asks (default: the user at the socket)")
}

// check refuses flags that contradict each other.
func (a *applyFlags) check(c *cobra.Command) error {
	given := c.Flags().Changed
	switch {
	case a.apply && a.undo:
		return usagef("cannot set the belt's scale: --apply and --undo contradict each other")
	case a.store && !a.apply && !a.undo:
		return usagef("cannot set the belt's scale: --store goes with --apply or --undo")
	case a.undo && (given("steps") || given("nominal") || given("measured") || given("svg")):
		return usagef("cannot set the belt's scale: --undo takes no measurements")
	}
	return nil
}

// send asks the daemon. A change within its own uncertainty is not worth a change: it would
// put one error in place of another.
func (a *applyFlags) send(c *cobra.Command, steps float64, s *belt.Scale, asJSON bool) error {
	q := client.ScaleRequest{By: a.by}
	q.Store, q.Undo = a.store, a.undo
	if s != nil {
		if !s.Significant {
			return usagef("cannot set the belt's scale: the difference is within its own uncertainty (95 %%); measure more parts, or longer ones")
		}
		q.StepsPerMM, q.NowStepsPerMM = s.StepsPerMM, steps
	}
	return sendRequest(c, asJSON, func(ctx context.Context, d *client.Client) (supervisor.Result, error) {
		result, err := d.SetScale(ctx, q)
		if !a.store && !asJSON {
			result.Text += "; to store it, with all settings of the board as they are, add --store"
		}
		return result, err
	})
}
