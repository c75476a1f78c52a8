package main

import (
	"fmt"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/supervisor/belt"
)

func newScale() *cobra.Command {
	var steps, resolution float64
	var nominal, measured []float64
	var svg string
	var change applyFlags
	c := &cobra.Command{
		Use:   "scale --steps S --nominal L[,L...] --measured M[,M...] --resolution MM",
		Short: "Correct the belt's steps/mm from measured parts",
		Long: "scale computes the belt axis's new steps/mm, with its uncertainty, from lengths\n" +
			"along the belt that were measured. One nominal length may be measured on several\n" +
			"parts. Several nominal lengths, each with its measurement, also show whether the\n" +
			"outline of every part is too wide or too narrow by the same amount, which is not\n" +
			"the belt's fault. Marks on the belt serve as well as parts.\n" +
			"The uncertainty assumes that equal parts scatter by 0.1 mm, unless they show more, and\n" +
			"a caliper error of 0.02 mm. One part alone never justifies a change.\n" +
			"Without --apply it changes nothing on the machine.\n\n" +
			"--apply has the running daemon set the new value on the board, which must be at rest\n" +
			"(Idle, Stopped, Complete or Held), and read it back. The old value is kept for --undo.\n" +
			"The board forgets it at its next restart unless --store is given too: that writes all\n" +
			"settings of the board into its memory as they are now, not only this one. Many boards\n" +
			"restart whenever the port is opened.",
		Example: "  beltwarden scale --steps 80 --nominal 20 --measured 21.3,21.28,21.31 --resolution 0.01\n" +
			"  beltwarden scale --steps 80 --nominal 20,60,100 --measured 21.42,63.95,106.48 --resolution 0.02",
		Args: args(0, 0, ""),
	}
	c.Flags().Float64Var(&steps, "steps", 0, "steps/mm that the board has for the belt axis now")
	c.Flags().Float64SliceVar(&nominal, "nominal", nil, "length along the belt that the part should have, mm; one, or one for each measurement")
	c.Flags().Float64SliceVar(&measured, "measured", nil, "the length as measured, mm; repeat it or separate by commas")
	c.Flags().Float64Var(&resolution, "resolution", 0, "smallest step of the caliper, mm: 0.01, 0.05, 0.1")
	c.Flags().StringVar(&svg, "svg", "", "draw the lengths to this file, - for the output")
	change.define(c)
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := change.check(c); err != nil {
			return err
		}
		if change.undo {
			return change.send(c, 0, nil, *asJSON)
		}
		if err := needFlags(c, "steps", "nominal", "measured", "resolution"); err != nil {
			return err
		}
		if !(resolution > 0) || math.IsInf(resolution, 0) {
			return usagef("cannot measure scale: a resolution of %g mm is not possible", resolution)
		}
		lengths, err := pair(nominal, measured)
		if err != nil {
			return err
		}
		s, err := belt.MeasureScale(steps, lengths, resolution)
		if err != nil {
			return &failure{status: exitUsage, err: err, hint: "lengths are millimetres along the belt"}
		}
		if svg != "" {
			note := strings.ReplaceAll(strings.TrimSpace(scaleText(s, nominal, steps)), "\n", ". ") + "."
			if err := writePicture(c.OutOrStdout(), svg, drawScale(s, lengths, note)); err != nil || svg == "-" {
				return err
			}
		}
		if *asJSON && !change.apply {
			return printJSON(c.OutOrStdout(), s)
		}
		if !*asJSON {
			if _, err := fmt.Fprint(c.OutOrStdout(), scaleText(s, nominal, steps)); err != nil {
				return err
			}
		}
		if change.apply {
			return change.send(c, steps, &s, *asJSON)
		}
		return nil
	}
	return c
}

// pair puts each measurement to its nominal length.
func pair(nominal, measured []float64) ([]belt.Length, error) {
	if len(nominal) > 1 && len(nominal) != len(measured) {
		return nil, usagef("cannot measure scale: %d nominal lengths and %d measurements; give one nominal length, or one for each measurement", len(nominal), len(measured))
	}
	var list []belt.Length
	for i, m := range measured {
		n := nominal[0]
		if len(nominal) > 1 {
			n = nominal[i]
		}
		list = append(list, belt.Length{NominalMM: n, MeasuredMM: m})
	}
	return list, nil
}

// scaleText writes the result for people.
func scaleText(s belt.Scale, nominal []float64, steps float64) string {
	text := ""
	if s.Sizes == 1 {
		text = fmt.Sprintf("nominal    %.3f mm\nmeasured   %.3f mm, mean of %d\n", nominal[0], s.MeasuredMM, s.N)
	} else {
		text = fmt.Sprintf("lengths    %d, of %d sizes\noutline    %+.3f mm on every length, +/- %.3f; correct it in the slicer, not on the belt\n", s.N, s.Sizes, s.OffsetMM, *s.OffsetSE)
	}
	text += fmt.Sprintf("scale      %.5f\nsteps/mm   %.4f now, %.4f +/- %.4f (one standard error) instead\n", s.Factor, steps, s.StepsPerMM, s.StepsPerMMSE)
	switch {
	case s.N == 1:
		text += "one part cannot separate a wrong scale from scatter: measure five\n"
	case !s.Significant:
		text += "the difference is within its own uncertainty (95 %): measure more parts before changing anything\n"
	default:
		text += "the difference is beyond its own uncertainty (95 %): worth correcting"
		if s.N < 5 {
			text += ", if equal parts scatter by 0.1 mm at most; five parts would show it"
		}
		if s.Sizes == 1 {
			text += "; lengths of other sizes would show whether the outline plays a part"
		}
		text += "\n"
	}
	return text
}
