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
	"beltwarden/supervisor/heat"
)

// serviceResult is what systemd passes to the commands that run after a service has ended
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
			"service runs it after a daemon that was killed, hung or crashed, only until the\n" +
			"board reports that they are off: the next daemon watches them cool.\n" +
			"Run it yourself when in doubt. In a configuration with mistakes the section machine is\n" +
			"enough. Opening the port restarts many boards, which ends a print.\n\n" +
			"It does not replace the board's own heater protection, nor the mains switch.",
	}
	c.Flags().StringVar(&file, "config", "", "configuration file")
	c.Flags().DurationVar(&within, "within", 5*time.Minute, "longest time to try")
	c.Flags().BoolVar(&failed, "after-failure", false, "before a failed service restarts: only until the board reports no target; nothing after an orderly end ($"+serviceResult+")")
	speed := c.Flags().Float64("speed", 1, "speed of a simulated machine (rig --speed)")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
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
		if err == nil && mistakes.Touches("machine") {
			err = &failure{status: exitConfig, err: errors.New("cannot cool: the machine's port is unknown"), hint: "switch the machine off at the mains"}
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
		known, _, _ := learned(c.Context(), cfg)
		said, err := supervisor.Cool(c.Context(), supervisor.Cooling{Port: set.Port, Conn: set.Conn, Within: within, Every: set.PollEvery,
			IdleTimeoutSet: set.BoardIdle > 0, UntilAccepted: failed, HasBed: known.Bed != heat.Model{}, Speed: *speed}, serialio.OpenDevice)
		if err != nil && failed {
			callHot(c.Context(), c.ErrOrStderr(), cfg, err)
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

// callHot calls everybody: the heaters were not switched off after a daemon that failed, and
// until the next one is up there is nobody else who calls.
func callHot(ctx context.Context, w io.Writer, cfg *config.Settings, cause error) {
	text := fmt.Sprintf("the daemon has ended (%s), and heaters may be on: %v", strings.TrimSpace(os.Getenv(serviceResult)+" "+os.Getenv(exitStatus)), cause)
	if err := callAll(ctx, w, cfg, callWithin, text); err != nil {
		tell(w, err)
	}
}

// callWithin is how long one call may take: the service waits for it.
const callWithin = 20 * time.Second
