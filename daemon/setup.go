package main

import (
	"context"
	"math"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
)

// setupCaution is said before the belt moves to set the machine up.
const setupCaution = "The belt will move by itself, a few millimetres at a time, each time that you ask for it.\n" +
	"It draws in fingers, sleeves and hair at its rollers and at the drop edge: keep your hands\n" +
	"off, leave the guards on, have the mains switch within reach. The machine must be cold.\n" +
	"Lift the head off the belt by hand, take parts and tools off, and mark the belt.\n" +
	"To stop it: beltwarden abort in another terminal, Ctrl-C, or the switch.\n" +
	"Local codes come first."

// beltDrawing shows which way is which.
const beltDrawing = `
           nozzle
             |
   away      v                     drop edge
  <----------+-------------------------->\
  =======================================|
   belt                                  v  parts fall here
             |<------ to_drop_mm ------->|
`

func newSetup() *cobra.Command {
	var f setupFlags
	c := &cobra.Command{
		Use:   "setup",
		Short: "Find the belt's direction, drop edge and scale by moving it",
		Long: "setup moves the cold, empty belt a few millimetres at a time, asks what you saw, and\n" +
			"says what the configuration must say: machine.forward, belt.to_drop_mm, and whether\n" +
			"a commanded millimetre is one. Every question can be answered with not known. With\n" +
			"--config it writes the file when you agree, and keeps the old one beside it.\n" +
			"On a terminal it asks for everything; elsewhere use setup move and setup found.\n\n" + setupCaution,
		Example: "  beltwarden setup --config machine.yaml\n" +
			"  beltwarden setup move --mm 5 --yes\n" +
			"  beltwarden setup found --direction away",
		Args: args(0, 0, ""),
	}
	c.Flags().StringVar(&f.config, "config", "", "the configuration to write what was found into (default: print it)")
	c.Flags().StringVar(&f.by, "by", "", "who asks (default: the user at the socket)")
	c.RunE = func(c *cobra.Command, _ []string) error { return f.guided(c) }
	c.AddCommand(newSetupMove(), newSetupFound())
	return c
}

func newSetupMove() *cobra.Command {
	var q client.SetupMoveRequest
	c := &cobra.Command{
		Use:   "move --mm MM --yes",
		Short: "Move the belt once",
		Long:  "move moves the belt's axis by 1 to 100 mm and returns when the board has confirmed it.\n\n" + setupCaution,
		Args:  args(0, 0, ""),
	}
	l := c.Flags()
	l.Float64Var(&q.MM, "mm", 0, "how far along the board's axis, + for a positive move; 100 goes out as one move, as in production")
	l.BoolVar(&q.FromMark, "from-mark", false, "a mark lies under the nozzle now: the distance to the drop edge counts from here")
	l.BoolVar(&q.Clear, "yes", false, "hands, tools and parts are off the belt, and the head is lifted")
	l.StringVar(&q.By, "by", "", "who asks (default: the user at the socket)")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := needFlags(c, "mm"); err != nil {
			return err
		}
		if math.IsNaN(q.MM) || math.IsInf(q.MM, 0) {
			return usagef("cannot move the belt: --mm %g is not a number", q.MM)
		}
		return withDaemon(c, func(ctx context.Context, d *client.Client) error {
			result, err := d.SetupMove(ctx, q)
			if err != nil {
				return err
			}
			return printResult(ctx, c, d, result, *asJSON)
		})
	}
	return c
}

func newSetupFound() *cobra.Command {
	var q client.SetupFoundRequest
	c := &cobra.Command{
		Use:   "found",
		Short: "Say what you saw of the last move",
		Args:  args(0, 0, ""),
	}
	l := c.Flags()
	l.StringVar(&q.Direction, "direction", "", "where it carried the belt: drop_edge, away, still or unknown")
	l.StringVar(&q.Drop, "drop", "", "the mark fell over the drop edge: fell; or unknown")
	l.Float64Var(&q.MeasuredMM, "measured-mm", 0, "how far a mark has moved, mm")
	l.StringVar(&q.By, "by", "", "who saw it (default: the user at the socket)")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if math.IsNaN(q.MeasuredMM) || math.IsInf(q.MeasuredMM, 0) {
			return usagef("cannot take what was seen: --measured-mm %g is not a number", q.MeasuredMM)
		}
		return withDaemon(c, func(ctx context.Context, d *client.Client) error {
			result, err := d.SetupFound(ctx, q)
			if err != nil {
				return err
			}
			return printResult(ctx, c, d, result, *asJSON)
		})
	}
	return c
}
