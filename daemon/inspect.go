package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/daemon/screen"
	"beltwarden/supervisor/job"
)

func newInspect() *cobra.Command {
	var file, axis string
	var forward int
	c := &cobra.Command{
		Use: "inspect JOB", Short: "Show what a job file will do on the machine, before it runs", Args: args(1, 1, "one job file"),
		Long: "inspect reads a sliced file for one part and shows where it is cut into what is done\n" +
			"once before, for every part and once after, which lines are withheld and added, and\n" +
			"what someone should know before it runs. The machine is that of the configuration;\n" +
			"without one it is what an empty file means, with the belt axis given here.",
	}
	c.Flags().StringVar(&file, "config", "", "configuration file of the machine")
	c.Flags().StringVar(&axis, "belt-axis", "Y", "without --config: axis that is the belt, Y (gantry upright) or Z (tilted)")
	c.Flags().IntVar(&forward, "forward", 1, "without --config: sign of a move that carries parts to the drop edge, 1 or -1")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		cfg, err := inspectFor(c, file, axis, forward)
		if err != nil {
			return err
		}
		plan, err := job.Inspect(c.Context(), args[0], app.JobOptions(cfg), inspectProgress(c.ErrOrStderr(), args[0]))
		var refusal *job.Refusal
		if errors.As(err, &refusal) && *asJSON {
			if perr := printJSON(c.OutOrStdout(), map[string]any{"path": refusal.Path, "problems": refusal.Problems}); perr != nil {
				return perr
			}
		}
		if err != nil {
			return jobFailure(err)
		}
		if *asJSON {
			err = printJSON(c.OutOrStdout(), plan)
		} else {
			st := style(c.OutOrStdout())
			lines := screen.Plan(plan, st)
			if !c.Flags().Changed("config") {
				lines = append(st.Note(fmt.Sprintf("No configuration is given: judged for a belt on %s, forward %+d, and the limits of an empty one.", axis, forward)), lines...)
			}
			err = printLines(c.OutOrStdout(), lines)
		}
		if err == nil && plan.Blocked() {
			err = &failure{status: exitJob, err: fmt.Errorf("cannot run job %s: it has findings that are errors", args[0]),
				hint: "correct them where the job was sliced, or the machine's limits in the configuration if those are wrong"}
		}
		return err
	}
	return c
}

// inspectFor returns the settings of the machine that the job is for.
func inspectFor(c *cobra.Command, file, axis string, forward int) (*config.Settings, error) {
	if c.Flags().Changed("config") {
		if c.Flags().Changed("belt-axis") || c.Flags().Changed("forward") {
			return nil, usagef("cannot inspect: the configuration says which axis is the belt and which way is forward; leave out --belt-axis and --forward")
		}
		return config.Load(file)
	}
	cfg := config.Default()
	switch axis {
	case "Y":
		cfg.Machine.BeltAxis, cfg.Machine.LiftAxis, cfg.Machine.HomedAxes = config.AxisY, config.AxisZ, []config.Axis{config.AxisX, config.AxisZ}
	case "Z":
		cfg.Machine.BeltAxis, cfg.Machine.LiftAxis, cfg.Machine.HomedAxes = config.AxisZ, config.AxisY, []config.Axis{config.AxisX, config.AxisY}
	default:
		return nil, usagef("cannot inspect: --belt-axis %q is neither Y nor Z", axis)
	}
	if forward != 1 && forward != -1 {
		return nil, usagef("cannot inspect: --forward %d is neither 1 nor -1", forward)
	}
	cfg.Machine.Forward = forward
	return cfg, nil
}

// jobFailure gives every error of reading a job the job's status.
func jobFailure(err error) error {
	var refusal *job.Refusal
	if errors.As(err, &refusal) {
		return err
	}
	hint := ""
	switch {
	case errors.Is(err, fs.ErrNotExist):
		hint = "check the path"
	case errors.Is(err, fs.ErrPermission):
		hint = "let this user read the file and its directories"
	}
	return &failure{status: exitJob, err: err, hint: hint}
}

// inspectProgress shows how far a large file has been read, on a terminal only.
func inspectProgress(w io.Writer, path string) func(done, total int64) {
	if !style(w).Terminal {
		return nil
	}
	last := int64(-1)
	return func(done, total int64) {
		if total < 50<<20 { // read in less than a second
			return
		}
		if percent := 100 * done / total; percent != last {
			last = percent
			fmt.Fprintf(w, "\rreading %s: %d %%", screen.Printable(path), percent)
			if done >= total {
				fmt.Fprint(w, "\r\x1b[K")
			}
		}
	}
}
