package main

import (
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"beltwarden/supervisor/belt"
)

func newScale() *cobra.Command {
	var steps, nominal, resolution float64
	var measured []float64
	c := &cobra.Command{
		Use:   "scale --steps S --nominal L --measured M[,M...]",
		Short: "Correct the belt's steps/mm from measured parts",
		Long: "scale computes the belt axis's new steps/mm from one length along the belt that\n" +
			"should be nominal and was measured, once or on several parts, with its\n" +
			"uncertainty. It changes nothing on the machine.",
		Example: "  beltwarden scale --steps 80 --nominal 20 --measured 21.3,21.28,21.31",
		Args:    args(0, 0, ""),
	}
	c.Flags().Float64Var(&steps, "steps", 0, "steps/mm that the board has for the belt axis now")
	c.Flags().Float64Var(&nominal, "nominal", 0, "length along the belt that the part should have, mm")
	c.Flags().Float64SliceVar(&measured, "measured", nil, "the length as measured, mm; repeat it or separate by commas")
	c.Flags().Float64Var(&resolution, "resolution", 0.01, "resolution of the caliper, mm")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := needFlags(c, "steps", "nominal", "measured"); err != nil {
			return err
		}
		if !(resolution >= 0) || math.IsInf(resolution, 0) {
			return usagef("cannot measure scale: a resolution of %g mm is not possible", resolution)
		}
		s, err := belt.MeasureScale(steps, nominal, measured, resolution)
		if err != nil {
			return &failure{status: exitUsage, err: err, hint: "lengths are millimetres along the belt"}
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), s)
		}
		judgement := "the difference is larger than twice its standard error: worth correcting"
		if !s.Significant {
			judgement = "the difference is within twice its standard error: measure more parts before changing anything"
		}
		_, err = fmt.Fprintf(c.OutOrStdout(), "nominal    %.3f mm\nmeasured   %.3f mm, mean of %d\nscale      %.5f\n"+
			"steps/mm   %.4f now, %.4f +/- %.4f (one standard error) instead\n%s\n",
			nominal, s.MeasuredMM, s.N, s.Factor, steps, s.StepsPerMM, s.StepsPerMMSE, judgement)
		return err
	}
	return c
}
