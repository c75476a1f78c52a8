package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/scenario"
	"beltwarden/supervisor/book"
)

// demoFlags are the flags of demo as they stand on the command line.
type demoFlags struct {
	parts          int
	speed          string
	exit           bool
	ledger, listen string
}

func newDemo() *cobra.Command {
	var f demoFlags
	c := &cobra.Command{
		Use: "demo", Short: "Make a lot on a simulated machine, live in this terminal", Args: args(0, 0, ""),
		Long: "demo makes a lot of plant-stake clips on a simulated machine whose belt drifts, with\n" +
			"the complete daemon. You are the operator: enter the commands that it suggests in a\n" +
			"second terminal. With --exit a simulated operator does the work, and\n" +
			"the demo ends by itself and prints the result as JSON.",
	}
	l := c.Flags()
	l.IntVar(&f.parts, "parts", 40, "good parts ordered")
	l.StringVar(&f.speed, "speed", "60", "machine seconds per second, or max")
	l.BoolVar(&f.exit, "exit", false, "use a simulated operator, end by itself, print JSON")
	l.StringVar(&f.ledger, "ledger", "", "file for the ledger, kept afterwards (default: one that is removed)")
	l.StringVar(&f.listen, "listen", config.Default().Server.Listen, "loopback address for screen, API and metrics, without --exit; empty for none")
	c.RunE = func(c *cobra.Command, _ []string) error { return f.run(c) }
	return c
}

// stopLimit bounds the orderly end of the demo.
const stopLimit = 30 * time.Second

func (f *demoFlags) run(c *cobra.Command) (err error) {
	o := scenario.Options{Parts: f.parts, Listen: f.listen, Version: thisBuild().Version}
	if f.parts < 1 || f.parts > 100_000 {
		return usagef("cannot run the demo: --parts %d is not from 1 to 100000", f.parts)
	}
	if o.Speed, err = parseSpeed(f.speed); err != nil {
		return usagef("cannot run the demo: %v", err)
	}
	if f.exit {
		o.Listen = "" // it is over before anyone could look
	}
	if f.ledger != "" {
		if o.Ledger, err = filepath.Abs(f.ledger); err != nil {
			return fmt.Errorf("cannot run the demo: %w", err)
		}
	}
	if o.Dir, err = os.MkdirTemp("", "beltwarden-demo-"); err != nil {
		return fmt.Errorf("cannot run the demo: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(o.Dir)) }()
	ctx := c.Context()
	w, err := scenario.Open(ctx, o)
	if err != nil {
		return unlessEnded(ctx, err)
	}
	defer func() {
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit)
		defer cancel()
		err = errors.Join(err, w.Close(stop))
	}()
	if err := w.Order(ctx); err != nil {
		return unlessEnded(ctx, err)
	}
	if f.exit {
		return f.alone(c, w)
	}
	return f.withPerson(c, w)
}

// unlessEnded drops an error that only says that the user has ended the demo.
func unlessEnded(ctx context.Context, err error) error {
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		return nil
	}
	return err
}

// alone lets the simulated operator work and prints how the lot went.
func (f *demoFlags) alone(c *cobra.Command, w *scenario.World) error {
	worked := w.Operate(c.Context())
	ctx, cancel := context.WithTimeout(context.WithoutCancel(c.Context()), answerLimit)
	defer cancel()
	s, err := w.Summary(ctx)
	if err != nil {
		return errors.Join(worked, err)
	}
	if err := printJSON(c.OutOrStdout(), s); err != nil {
		return err
	}
	switch {
	case !s.Fulfilled():
		why := fmt.Errorf("the lot ended with %d of %d good parts", s.Good, s.Ordered)
		if worked != nil {
			why = fmt.Errorf("%w: %w", why, worked)
		}
		return &failure{status: exitShort, err: why}
	case worked != nil:
		return worked
	}
	return nil
}

// withPerson shows the run until Ctrl-C, with what to type next.
func (f *demoFlags) withPerson(c *cobra.Command, w *scenario.World) error {
	ctx, cancel := context.WithCancel(c.Context())
	defer cancel()
	followed := make(chan error, 1)
	go func() { followed <- w.Follow(ctx) }()
	v := newView(c.OutOrStdout())
	defer v.close()
	if !v.live {
		if err := printLines(c.OutOrStdout(), f.invitation(w)); err != nil {
			return err
		}
	}
	interval := time.Second
	if !v.live {
		interval /= 10 // nobody reads a screen; no change should be missed
	}
	err := every(ctx, interval, func() error {
		s, err := w.Status(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		below := append([]string{" "}, f.invitation(w)...)
		return v.show(s, append(below, w.Hints(ctx, s, programName())...))
	})
	cancel()
	if s, serr := w.Status(context.WithoutCancel(ctx)); serr == nil && err == nil && !v.live {
		err = v.show(s, nil) // how it stood at the end
	}
	v.close()
	if err := errors.Join(err, <-followed); err != nil {
		return err
	}
	return f.farewell(c, w)
}

// farewell says how far the lot has come, and what is kept.
func (f *demoFlags) farewell(c *cobra.Command, w *scenario.World) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(c.Context()), answerLimit)
	defer cancel()
	s, err := w.Summary(ctx)
	if err != nil {
		return err
	}
	kept := "its ledger has been removed"
	if f.ledger != "" {
		kept = "its ledger is " + w.Ledger
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "The demo has ended: %s; %s.\n",
		book.Count{Ordered: s.Ordered, Made: s.Good + s.Scrap + s.Unverified, Good: s.Good, Scrap: s.Scrap}, kept)
	return err
}

// invitation says how to reach the daemon from a second terminal.
func (f *demoFlags) invitation(w *scenario.World) []string {
	pace := "as fast as it can"
	if f.speed != "max" {
		pace = f.speed + " times as fast as a real one"
	}
	text := "Simulated machine, " + pace + "; Ctrl-C ends it. In a second terminal, in the same directory:"
	if f.listen != "" {
		text = "Screen: http://" + f.listen + "/ in a browser. " + text
	}
	return []string{text, "  export " + daemonVariable + "=" + w.Socket}
}

// programName is how this program was called, as far as that is known.
func programName() string {
	if self, err := os.Executable(); err == nil && strings.Contains(self, string(filepath.Separator)+"go-build") {
		return "go run ./daemon"
	}
	return os.Args[0]
}
