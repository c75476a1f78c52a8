package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwarden/daemon/wording"
	"beltwarden/serialio/rig"
)

// rigFlags are the flags of rig as they stand on the command line.
type rigFlags struct {
	pty, speed, board, record, axis string
	faults                          []string
	seed                            uint64
	baud                            int
	driftMMPerM, stretch            float64
	reversed                        bool
}

func newRig() *cobra.Command {
	var f rigFlags
	boards := slices.Sorted(maps.Keys(rig.Variations()))
	c := &cobra.Command{
		Use:   "rig",
		Short: "Run the simulated belt machine on a pseudo-terminal",
		Long: "rig runs a simulated belt machine by itself, on a pseudo-terminal that any serial\n" +
			"program can open, until Ctrl-C. It answers, heats, moves, makes and drops parts as\n" +
			"a machine would, and records each line it executes.\n\n" +
			"Faults are kind@key=value,... with one of time, line or rate as the moment, such as\n" +
			"  reset@line=500   unplug@time=90s,for=5s   flip@rate=1e-4,way=board   no-heat@time=2m",
		Example: "  beltwarden rig --pty /tmp/machine --speed 20 --fault lose-ok@rate=0.001",
		Args:    args(0, 0, ""),
	}
	l := c.Flags()
	l.StringVar(&f.pty, "pty", filepath.Join(os.TempDir(), "beltwarden-machine"), "where to put the link to the pseudo-terminal")
	l.StringVar(&f.speed, "speed", "1", "machine seconds per second, or max")
	l.StringVar(&f.board, "board", "common", "kind of board: "+strings.Join(boards, ", "))
	l.StringArrayVar(&f.faults, "fault", nil, "something to go wrong; repeat it for more")
	l.IntVar(&f.baud, "baud", 0, "the only rate that the board understands, bit/s (default: any)")
	l.StringVar(&f.record, "record", "", "file for the lines executed: sequence, number, machine seconds and text, by tabs")
	l.Uint64Var(&f.seed, "seed", 1, "of everything random: the same seed and input give the same run")
	l.StringVar(&f.axis, "belt-axis", "Y", "axis that is the belt: Y (gantry upright) or Z (tilted)")
	l.Float64Var(&f.driftMMPerM, "drift-mm-per-m", 0.4, "drift of the belt per metre of travel, mm")
	l.Float64Var(&f.stretch, "stretch", 1, "true belt movement per commanded movement")
	l.BoolVar(&f.reversed, "reversed", false, "a positive move carries the belt away from the drop edge")
	c.RunE = func(c *cobra.Command, _ []string) error { return f.run(c) }
	return c
}

func (f *rigFlags) run(c *cobra.Command) (err error) {
	set, err := f.settings()
	if err != nil {
		return err
	}
	if f.record != "" {
		file, err := os.OpenFile(f.record, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o644)
		if err != nil {
			return fmt.Errorf("cannot keep the machine's record: %w", err)
		}
		defer func() { err = errors.Join(err, file.Close()) }()
		set.RecordTo = file
	}
	r, err := rig.New(set)
	if err != nil {
		return &failure{status: exitUsage, err: err}
	}
	// A link that a killed rig has left behind would be announced as this one's.
	if info, err := os.Lstat(f.pty); err == nil && info.Mode()&os.ModeSymlink != 0 {
		_ = os.Remove(f.pty)
	}
	ctx, cancel := context.WithCancel(c.Context())
	defer cancel()
	served := make(chan error, 1)
	go func() { served <- r.ServePTY(ctx, f.pty) }()
	if err := announceRig(ctx, c.OutOrStdout(), f.pty, set.Speed, served); err != nil {
		return errors.Join(err, r.Close())
	}
	err = <-served
	if err != nil {
		err = &failure{status: exitPort, err: err, hint: "give another path with --pty"}
	}
	if cerr := r.Close(); err == nil {
		err = cerr
	}
	printFigures(c.OutOrStdout(), r.Figures())
	return err
}

// settings reads the flags, and reports everything that is wrong with them.
func (f *rigFlags) settings() (rig.Settings, error) {
	set := rig.DefaultSettings()
	var wrong []string
	var err error
	if set.Speed, err = parseSpeed(f.speed); err != nil {
		wrong = append(wrong, err.Error())
	}
	board, known := rig.Variations()[f.board]
	if !known {
		wrong = append(wrong, fmt.Sprintf("--board %q is unknown; use one of %s", f.board,
			strings.Join(slices.Sorted(maps.Keys(rig.Variations())), ", ")))
	}
	set.Board, set.Seed = board, f.seed
	set.Board.BaudRate = f.baud
	if f.baud < 0 {
		wrong = append(wrong, fmt.Sprintf("--baud %d is not possible", f.baud))
	}
	switch f.axis {
	case "Y", "Z":
		set.Belt.Axis = f.axis[0]
	default:
		wrong = append(wrong, fmt.Sprintf("--belt-axis %q is neither Y nor Z", f.axis))
	}
	if math.IsNaN(f.driftMMPerM) || math.Abs(f.driftMMPerM) > 1000 {
		wrong = append(wrong, fmt.Sprintf("--drift-mm-per-m %g is not possible", f.driftMMPerM))
	}
	set.Belt.DriftPerTravelMMPerM = f.driftMMPerM
	if !(f.stretch > 0.5 && f.stretch < 2) {
		wrong = append(wrong, fmt.Sprintf("--stretch %g is not possible; 1.01 is a belt that moves 1 %% too far", f.stretch))
	} else if known && len(wrong) == 0 {
		axis := rig.Y
		if f.axis == "Z" {
			axis = rig.Z
		}
		set.Belt.TrueStepsPerMM = set.Machine.StepsPerMM[axis] / f.stretch
		set.Belt.Reversed = f.reversed
	}
	for _, text := range f.faults {
		fault, err := rig.ParseFault(text)
		if err != nil {
			wrong = append(wrong, err.Error())
		}
		set.Faults = append(set.Faults, fault)
	}
	if len(wrong) > 0 {
		return set, usageMany("run the simulated machine", wrong)
	}
	return set, nil
}

// parseSpeed reads machine seconds per second; max is 0, as fast as possible.
func parseSpeed(text string) (float64, error) {
	if text == "max" {
		return 0, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v >= 0.01 && v <= 10000) {
		return 0, fmt.Errorf("--speed %q is neither a number from 0.01 to 10000 nor max", text)
	}
	return v, nil
}

// announceRig says where the machine is once it is there.
func announceRig(ctx context.Context, w io.Writer, path string, speed float64, served <-chan error) error {
	for {
		if to, err := os.Readlink(path); err == nil {
			pace := "as fast as it can"
			if speed > 0 {
				pace = fmt.Sprintf("at %g times its real speed", speed)
			}
			_, err := fmt.Fprintf(w, "machine at %s (%s), %s\nto talk to it: open that port with any serial program, or put\n"+
				"  port: %s\nunder machine: in a configuration and run: beltwarden serve --config FILE\nCtrl-C ends it\n", path, to, pace, path)
			return err
		}
		select {
		case err := <-served:
			if err == nil {
				return nil
			}
			return &failure{status: exitPort, err: err, hint: "give another path with --pty"}
		case <-ctx.Done():
			return nil
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// printFigures says what the machine did.
func printFigures(w io.Writer, f rig.Figures) {
	fmt.Fprintf(w, "%.1f s of machine time, %d lines executed, %d rejected, %d resend requests\n",
		f.MachineTime.Seconds(), f.LinesExecuted, f.Rejected, f.ResendRequests)
	fmt.Fprintf(w, "belt travel %.3f m, advance %.3f m; filament %.1f mm; %s dropped\n",
		f.BeltTravelMM/1000, f.BeltAdvanceMM/1000, f.FilamentMM, wording.Count(f.PartsDropped, "part"))
	for _, kind := range slices.Sorted(maps.Keys(f.Faults)) {
		fmt.Fprintf(w, "fault %s: %d times\n", kind, f.Faults[kind])
	}
	for _, d := range f.Damage {
		fmt.Fprintf(w, "damage after %.1f s: %s\n", d.At.Seconds(), d.What)
	}
}
