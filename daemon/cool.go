package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/serialio"
	"beltwarden/supervisor"
)

// serviceResult is what systemd tells the commands that run after a service has ended
// (systemd.exec(5), SERVICE_RESULT).
const (
	serviceResult = "SERVICE_RESULT"
	exitStatus    = "EXIT_STATUS"
)

func newCool() *cobra.Command {
	var file string
	var within time.Duration
	var failed bool
	c := &cobra.Command{
		Use: "cool --config FILE", Short: "Switch the heaters off while no daemon runs, and watch them cool", Args: args(0, 0, ""),
		Long: "cool opens the port, switches both heaters off and watches the readings fall. The\n" +
			"service runs it after a daemon that was killed, hung or fell over; run it yourself\n" +
			"when you are in doubt. Of a configuration with mistakes the section machine is\n" +
			"enough. Opening the port restarts many boards, which ends a print.\n\n" +
			"It does not replace the board's own heater protection, nor the mains switch.",
	}
	c.Flags().StringVar(&file, "config", "", "configuration file")
	c.Flags().DurationVar(&within, "within", 5*time.Minute, "longest time to try")
	c.Flags().BoolVar(&failed, "after-failure", false, "do nothing after a service that has ended in order ($"+serviceResult+")")
	speed := c.Flags().Float64("speed", 1, "how many times faster than a clock a simulated machine runs (rig --speed)")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) (err error) {
		if err := needFlags(c, "config"); err != nil {
			return err
		}
		if within <= 0 {
			return usagef("cannot cool: --within %s: write a time such as 5m", within)
		}
		if failed && (os.Getenv(serviceResult) == "success" || os.Getenv(exitStatus) == strconv.Itoa(exitConfig)) {
			return nil // it has switched off by itself, or has never opened the port
		}
		cfg, mistakes, err := rescued(c.ErrOrStderr(), file)
		if err == nil && mistakes.Touch("machine") {
			err = &failure{status: exitConfig, err: errors.New("cannot cool: it is not known which port is the machine's"), hint: "switch the machine off at the mains"}
		}
		if err != nil {
			return err
		}
		set := app.RunSettings(cfg)
		if *speed != 1 {
			// Readings of a real machine would be believed after a fraction of their time.
			if file, _ := filepath.EvalSymlinks(set.Port.Path); !(*speed > 0 && *speed <= 1000) || !strings.HasPrefix(file, "/dev/pts/") {
				return usagef("cannot cool: --speed %g is for a simulated machine on a pseudo-terminal, above 0 and up to 1000; leave it out", *speed)
			}
		}
		if failed {
			finish := callWhileCooling(c.Context(), c.ErrOrStderr(), cfg)
			defer func() { finish(err) }()
		}
		said, err := supervisor.Cool(c.Context(), supervisor.Cooling{Port: set.Port, Conn: set.Conn, Within: within, Every: set.PollEvery, Idle: set.BoardIdle > 0, Speed: *speed}, serialio.OpenDevice)
		if errors.Is(err, supervisor.ErrHot) {
			return &failure{status: exitHot, err: err, hint: "switch the machine off at the mains, and look at it"}
		}
		if err != nil {
			return err
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), map[string]any{"off": true, "seen": said})
		}
		_, err = fmt.Fprintln(c.OutOrStdout(), "the heaters are "+said)
		return err
	}
	return c
}

// callAfter is how long the heaters may take to be shown off before somebody is called:
// the daemon does not run meanwhile, and calls nobody.
const callAfter = 20 * time.Second

// callWhileCooling calls everybody when a service that failed is not shown to be cold
// within callAfter. The function it returns ends the wait, and calls with what became of it
// where somebody has been called, or has to be.
func callWhileCooling(ctx context.Context, w io.Writer, cfg *config.Settings) (finish func(error)) {
	why := fmt.Sprintf("the daemon has ended (%s)", strings.TrimSpace(os.Getenv(serviceResult)+" "+os.Getenv(exitStatus)))
	say := func(text string) {
		if err := callAll(ctx, w, cfg, callWithin, why+": "+text); err != nil {
			tell(w, err)
		}
	}
	ended, called := make(chan struct{}), make(chan bool, 1)
	go func() {
		select {
		case <-ended:
			called <- false
		case <-time.After(callAfter):
			say("heaters may be on, and were not shown to be off yet. Be ready to switch the machine off at the mains")
			called <- true
		}
	}()
	return func(err error) {
		close(ended)
		switch was := <-called; {
		case err != nil:
			say("heaters may be on: " + err.Error())
		case was:
			say("the heaters are shown to be off; the daemon is started again")
		}
	}
}

// callWithin is how long one call may take: the service waits for it.
const callWithin = 20 * time.Second
