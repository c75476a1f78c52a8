package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor/quality"
)

// startPlan is what plan prints as JSON.
type startPlan struct {
	Cycles      int64            `json:"cycles"`
	Probability float64          `json:"probability"`
	GoodSoFar   int64            `json:"good_so_far"`
	Unverified  int64            `json:"unverified"`
	Yield       float64          `json:"yield"`
	Assumed     bool             `json:"assumed"`
	YieldSeen   quality.Interval `json:"yield_seen"`
}

func newPlan() *cobra.Command {
	var o quality.Order
	var yield, confidence float64
	var svg string
	c := &cobra.Command{
		Use:   "plan --good N [--made K --scrap J]",
		Short: "Say how many cycles to start for so many good parts",
		Long: "plan computes the smallest number of cycles still to start that gives the ordered number\n" +
			"of good parts with the given confidence.\n\n" +
			"It estimates the yield from the parts made and looked at. Before there are any, it\n" +
			"expects nine good parts in ten, with the weight of ten parts (common practice, no\n" +
			"source). From ten parts on, or earlier if the parts contradict that, the plan also\n" +
			"suffices by the parts looked at alone.\n" +
			"Parts not looked at do not count as good: their outcome is as open as that of cycles\n" +
			"to come.",
		Example: "  beltwarden plan --good 40\n  beltwarden plan --good 40 --made 30 --scrap 2 --not-looked-at 5",
		Args:    args(0, 0, ""),
	}
	c.Flags().Int64Var(&o.Good, "good", 0, "good parts ordered")
	c.Flags().Int64Var(&o.Made, "made", 0, "parts made so far")
	c.Flags().Int64Var(&o.Scrap, "scrap", 0, "parts of them found bad")
	c.Flags().Int64Var(&o.Unverified, "not-looked-at", 0, "parts of them that nobody has looked at")
	c.Flags().Float64Var(&yield, "yield", 0, "fraction of good parts, if it is known; else it is estimated")
	c.Flags().Float64Var(&confidence, "confidence", 0.95, "probability that there are enough good parts")
	c.Flags().StringVar(&svg, "svg", "", "draw the probability over the cycles into this file, - for the output")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := needFlags(c, "good"); err != nil {
			return err
		}
		plan := func(confidence float64) (quality.Plan, error) {
			return quality.PlanFor(o, quality.DefaultPrior(), confidence)
		}
		basis := "by the parts looked at"
		if c.Flags().Changed("yield") {
			basis = "as given"
			plan = func(confidence float64) (quality.Plan, error) { return quality.PlanKnown(o, yield, confidence) }
		}
		p, err := plan(confidence)
		if err != nil {
			hint := "counts are whole parts; scrap and parts not looked at are among those made"
			if errors.Is(err, quality.ErrNever) {
				hint = "find out why parts fail before making more"
			}
			return &failure{status: exitUsage, err: err, hint: hint}
		}
		if svg != "" {
			note := strings.Join(planLines(o, p, basis), ". ") + "."
			if err := writePicture(c.OutOrStdout(), svg, drawPlan(p, confidence, plan, note)); err != nil || svg == "-" {
				return err
			}
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), startPlan{p.Cycles, p.Probability, p.GoodSoFar, p.Unverified, p.Yield, p.Assumed, p.Seen})
		}
		return printLines(c.OutOrStdout(), planLines(o, p, basis))
	}
	return c
}

// planLines writes a plan for people.
func planLines(o quality.Order, p quality.Plan, basis string) []string {
	lines := []string{
		fmt.Sprintf("start      %s for %d good parts", wording.Count(int(p.Cycles), "more cycle"), o.Good),
		fmt.Sprintf("certainty  %.2f %% that they are enough", 100*p.Probability),
		fmt.Sprintf("so far     %d good, %d scrap, %d not looked at", p.GoodSoFar, o.Scrap, p.Unverified),
		fmt.Sprintf("yield      %.1f %% %s; parts looked at show %.1f to %.1f %%", 100*p.Yield, basis, 100*p.Seen.Low, 100*p.Seen.High),
	}
	if p.Assumed {
		lines[1] += fmt.Sprintf(", if %.0f %% come out good", 100*p.Yield)
		lines[3] = fmt.Sprintf("yield      %.1f %% assumed", 100*p.Yield)
		if p.GoodSoFar+o.Scrap > 0 {
			lines[3] += fmt.Sprintf("; %s looked at show %.1f to %.1f %%", wording.Count(int(p.GoodSoFar+o.Scrap), "part"), 100*p.Seen.Low, 100*p.Seen.High)
		}
	}
	if p.Assumed && p.Cycles > 0 {
		lines = append(lines, "few parts were looked at: make ten, look at them and plan again, which may take many cycles off")
	}
	return lines
}
