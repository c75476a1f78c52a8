package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"syscall"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/daemon/picture"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
)

func newInspect() *cobra.Command {
	var file, axis, svg string
	var forward int
	var toDropMM float64
	var part job.Lines
	var whyCut bool
	c := &cobra.Command{
		Use: "inspect JOB", Short: "Show what a job file will do on the machine, before it runs", Args: args(1, 1, "one job file"),
		Long: "inspect reads a sliced file for one part and shows where it is cut into what is done\n" +
			"once before, for every part and once after, which lines are withheld and added, and\n" +
			"what you should know before it runs. The machine is the one in the configuration;\n" +
			"without one, defaults apply with the belt axis given here.",
	}
	c.Flags().StringVar(&file, "config", "", "configuration file of the machine")
	c.Flags().StringVar(&axis, "belt-axis", "Y", "without --config: axis that is the belt, Y (gantry upright) or Z (tilted)")
	c.Flags().IntVar(&forward, "forward", 1, "without --config: sign of a move that carries parts to the drop edge, 1 or -1")
	c.Flags().Float64Var(&toDropMM, "to-drop", 250, "without --config: belt from the nozzle to the edge where parts fall, mm")
	c.Flags().StringVar(&svg, "svg", "", "write a picture to this file: the part on the belt, and the belt over one cycle; - is the output")
	c.Flags().Int64Var(&part.From, "part-from", 0, "first line of the part, to override the one found")
	c.Flags().Int64Var(&part.To, "part-to", 0, "last line of the part; lot start takes both too")
	c.Flags().BoolVar(&whyCut, "why-cut", false, "list what marks the begin and end of the part in the file")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		cfg, err := inspectFor(c, file, axis, forward, toDropMM)
		if err != nil {
			return err
		}
		if svg == "-" && *asJSON {
			return usagef("cannot inspect: --json and --svg - both write to the output; give one of them a file")
		}
		if svg == "" && c.Flags().Changed("svg") {
			return usagef("cannot inspect: --svg needs the name of a file, or - for the output")
		}
		options, unknown := app.JobOptions(cfg), "give --config to use what this machine has learned"
		if err := wrongPart(part, c.Flags().Changed("part-from"), c.Flags().Changed("part-to")); err != nil {
			return err
		}
		options.Part = part
		if c.Flags().Changed("config") {
			var adhesion supervisor.Adhesion
			options.Heat.Heaters, adhesion, unknown = learned(c.Context(), cfg)
			options.Adhesion = adhesion.ForJob()
		}
		plan, err := readJob(c, args[0], options)
		var refusal *job.Refusal
		if errors.As(err, &refusal) && *asJSON {
			if perr := printJSON(c.OutOrStdout(), map[string]any{"path": refusal.Path, "problems": refusal.Problems}); perr != nil {
				return perr
			}
		}
		if err != nil {
			return jobFailure(err)
		}
		if svg != "" {
			track, err := plan.Track(c.Context(), options)
			if err != nil {
				return jobFailure(err)
			}
			paths, err := picture.PathsOf(c.Context(), plan, options)
			if err != nil {
				return jobFailure(err)
			}
			if err := writePicture(c.OutOrStdout(), svg, picture.Job(plan, track, paths, options, cfg.Discharge.AdvanceFeedMMPerMin, picture.WidthPX).Standalone()); err != nil {
				return err
			}
		}
		if svg == "-" {
			// The picture is the output; nothing may stand beside it.
		} else if *asJSON {
			err = printJSON(c.OutOrStdout(), plan)
		} else {
			st := style(c.OutOrStdout())
			lines := wording.Plan(plan, wording.Setting{Around: supervisor.Additions(app.RunSettings(cfg), plan), HeatUnknown: unknown, Evidence: whyCut}, st)
			if !c.Flags().Changed("config") {
				lines = append(st.Note(fmt.Sprintf("No configuration given: judged for a belt on %s, forward %+d, %g mm from nozzle to drop edge, and default limits.", axis, forward, toDropMM)), lines...)
			}
			err = printLines(c.OutOrStdout(), lines)
		}
		if err == nil && plan.Blocked() {
			err = &failure{status: exitJob, err: fmt.Errorf("cannot run job %s: its findings include errors", args[0]),
				hint: "correct the job in the slicer, or the machine's limits in the configuration if they are wrong"}
		}
		return err
	}
	return c
}

// wrongPart says what is wrong with the lines of a part; from and to say which of them were given.
func wrongPart(part job.Lines, from, to bool) error {
	switch {
	case from != to:
		return usagef("--part-from and --part-to belong together: give the first and the last line of the part")
	case from && (part.From < 1 || part.To < 1):
		return usagef("--part-from %d and --part-to %d: lines count from 1", part.From, part.To)
	case part.To < part.From:
		return usagef("--part-to %d is before --part-from %d", part.To, part.From)
	}
	return nil
}

// readJob inspects a file, with a bar for those who wait at a terminal.
func readJob(c *cobra.Command, path string, o job.Options) (*job.Plan, error) {
	bar := newProgress(c.ErrOrStderr())
	if bar == nil {
		return job.Inspect(c.Context(), path, o, nil)
	}
	defer bar.clear()
	return job.Inspect(c.Context(), path, o, bar.read)
}

// inspectFor returns the settings of the machine that the job is for.
func inspectFor(c *cobra.Command, file, axis string, forward int, toDropMM float64) (*config.Settings, error) {
	if c.Flags().Changed("config") {
		if c.Flags().Changed("belt-axis") || c.Flags().Changed("forward") || c.Flags().Changed("to-drop") {
			return nil, usagef("cannot inspect: the configuration says which axis is the belt, which way is forward and where the drop edge is; leave out --belt-axis, --forward and --to-drop")
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
	if !(toDropMM > 0) || math.IsInf(toDropMM, 0) {
		return nil, usagef("cannot inspect: --to-drop %g is not a length above 0 mm", toDropMM)
	}
	cfg.Machine.Forward, cfg.Belt.ToDropMM = forward, toDropMM
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
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENOTDIR), errors.Is(err, syscall.ENAMETOOLONG):
		hint = "check the path"
	case errors.Is(err, syscall.ELOOP):
		hint = "name the file itself; the link is broken"
	case errors.Is(err, fs.ErrPermission):
		hint = "let this user read the file and its directories"
	}
	return &failure{status: exitJob, err: err, hint: hint}
}
