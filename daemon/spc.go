package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/daemon/table"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor/quality"
)

// chartFlags are what chart is asked.
type chartFlags struct {
	file               string
	nominal, tolerance float64
	learn              int
	rules              []string
	printedD2          bool
	acceptOutliers     bool
	svg                string
}

// sizeChart is what chart prints as JSON. What was not requested, or cannot be
// computed, is null.
type sizeChart struct {
	quality.Limits
	BaseFirst   int                 `json:"base_first"` // numbers of the first and the last value that the limits rest on, from 1
	BaseLast    int                 `json:"base_last"`
	Values      int                 `json:"values"`
	SD          float64             `json:"sd"` // of all values about their mean
	Signals     []chartSignal       `json:"signals"`
	Suggestion  *quality.Suggestion `json:"suggestion"`
	Pp          *float64            `json:"pp"`
	Ppk         *float64            `json:"ppk"`
	PpInterval  *quality.Interval   `json:"pp_interval"`
	PpkInterval *quality.Interval   `json:"ppk_interval"`
	OutsideMost *float64            `json:"outside_most"`
	Note        string              `json:"note,omitempty"` // why there is no performance
}

// chartSignal is a signal with the line of the file that its value stands on.
type chartSignal struct {
	quality.Signal
	Line int `json:"line"`
}

func newChart() *cobra.Command {
	var f chartFlags
	c := &cobra.Command{
		Use:   "chart --measurements FILE.csv [--nominal L --tolerance T]",
		Short: "Judge measured part sizes: control chart and performance",
		Long: "chart reads sizes in the order in which the parts were made, from a CSV file with\n" +
			"the header value, and says whether they are under statistical control: limits by\n" +
			"the mean moving range, and values that break a rule. With a tolerance it says also\n" +
			"how well the sizes keep to it, by the standard deviation of all of them: of 30 sizes\n" +
			"or more without signals.\n\n" +
			"The limits come from the first N values that are in control (--learn, 20): one outside\n" +
			"the limits computed with it is left out, and the next taken in its place. All values\n" +
			"are judged by them. With --learn 0, and of 20 values or fewer, they come from all.",
		Example: "  beltwarden chart --measurements clips.csv --nominal 20 --tolerance 0.2\n  beltwarden chart --measurements clips.csv --learn 20 --rules beyond-3-sigma,ewma",
		Args:    args(0, 0, ""),
	}
	known := strings.Trim(fmt.Sprint(quality.Rules()), "[]")
	c.Flags().StringVar(&f.file, "measurements", "", "CSV file with the header value and one size a row")
	c.Flags().Float64Var(&f.nominal, "nominal", 0, "size that the parts should have")
	c.Flags().Float64Var(&f.tolerance, "tolerance", 0, "how far a good part may be from it, to either side")
	c.Flags().IntVar(&f.learn, "learn", 20, "take the limits from the first N values that are in control (0: from all)")
	c.Flags().StringSliceVar(&f.rules, "rules", defaultChartRules(), "rules to apply, of: "+known)
	c.Flags().BoolVar(&f.printedD2, "rounded-factors", false, "compute with d2 = 1.128, as printed tables have it")
	c.Flags().BoolVar(&f.acceptOutliers, "accept-outliers", false, "use values five times larger or smaller than the median")
	c.Flags().StringVar(&f.svg, "svg", "", "draw the chart into this file, - for the output")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := f.check(c); err != nil {
			return err
		}
		t, err := readTable(f.file, table.Column{Name: "value"})
		if err != nil {
			return err
		}
		if err := f.askBack(c.ErrOrStderr(), t); err != nil {
			return err
		}
		if n := len(t.Values["value"]); !c.Flags().Changed("learn") && n <= f.learn {
			f.learn = 0
		}
		s, err := f.judge(t)
		if err != nil {
			return err
		}
		if f.svg != "" {
			if err := writePicture(c.OutOrStdout(), f.svg, drawSizes(f, t.Values["value"], s)); err != nil || f.svg == "-" {
				return err
			}
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), s)
		}
		return printLines(c.OutOrStdout(), s.lines(f))
	}
	return c
}

func defaultChartRules() []string {
	var names []string
	for _, r := range append(quality.ZoneRules(), quality.Range) {
		names = append(names, string(r))
	}
	return names
}

// check names what is wrong with the flags, all of it.
func (f chartFlags) check(c *cobra.Command) error {
	if err := needFlags(c, "measurements"); err != nil {
		return err
	}
	var wrong []string
	if nominal, tolerance := c.Flags().Changed("nominal"), c.Flags().Changed("tolerance"); nominal != tolerance {
		wrong = append(wrong, "--nominal and --tolerance belong together")
	} else if tolerance && !(f.tolerance > 0 && f.tolerance <= 1e9) {
		wrong = append(wrong, fmt.Sprintf("a tolerance of %g is not above 0", f.tolerance))
	}
	if !(math.Abs(f.nominal) <= 1e9) {
		wrong = append(wrong, fmt.Sprintf("a nominal size of %g is not possible", f.nominal))
	}
	if f.learn != 0 && f.learn < 2 {
		wrong = append(wrong, fmt.Sprintf("limits cannot be learned from %d values: 2 are the least, 20 or more are good", f.learn))
	}
	if _, err := quality.ParseRules(f.rules); err != nil {
		wrong = append(wrong, strings.TrimPrefix(err.Error(), "cannot use "))
	}
	if wrong != nil {
		return usageMany("chart sizes", wrong)
	}
	return nil
}

// askBack stops at values that look as if a decimal point had slipped, or says with
// which it goes on.
func (f chartFlags) askBack(w io.Writer, t *table.Table) error {
	values := t.Values["value"]
	out := quality.Misplaced(values)
	if len(out) == 0 {
		return nil
	}
	const most = 20
	var details []string
	for _, i := range out[:min(most, len(out))] {
		details = append(details, fmt.Sprintf("%s:%d: value is %g, five or more times off the median: is a decimal point misplaced?", f.file, t.Line[i], values[i]))
	}
	if more := len(out) - most; more > 0 {
		details = append(details, fmt.Sprintf("and %d more", more))
	}
	if f.acceptOutliers {
		_, err := fmt.Fprintf(w, "warning: used as they stand:\n  %s\n", strings.Join(details, "\n  "))
		return err
	}
	return &failure{status: exitTable, err: fmt.Errorf("cannot chart %s: %s", f.file, wording.Count(len(out), "doubtful value")), details: details,
		hint: "correct the file, or give --accept-outliers if they were measured so"}
}

// judge computes everything that is printed or drawn.
func (f chartFlags) judge(t *table.Table) (*sizeChart, error) {
	values := t.Values["value"]
	settings := quality.TextbookSettings()
	settings.Rules, _ = quality.ParseRules(f.rules) // checked with the flags
	if f.printedD2 {
		settings.D2 = quality.PrintedD2
	}
	if f.learn > len(values) || len(values) < 2 {
		return nil, &failure{status: exitTable, err: fmt.Errorf("cannot chart %s: it has %s, and limits need %d", f.file, wording.Count(len(values), "value"), max(2, f.learn)),
			hint: "measure more parts"}
	}
	judged, err := quality.Judge(values, f.learn, settings)
	if errors.Is(err, quality.ErrFew) {
		return nil, &failure{status: exitTable, err: err, hint: "find what was different about those that are out, measure more parts, or look at all with --learn 0"}
	}
	if err != nil {
		return nil, err
	}
	sample, err := quality.SampleOf(values)
	if err != nil {
		return nil, err
	}
	s := &sizeChart{Limits: judged.Limits, BaseFirst: int(judged.Base[0]) + 1, BaseLast: int(judged.Base[len(judged.Base)-1]) + 1, Values: len(values), SD: sample.SD,
		Signals: []chartSignal{}, Suggestion: judged.Suggestion}
	for _, g := range judged.Signals {
		s.Signals = append(s.Signals, chartSignal{g, t.Line[g.Index]})
	}
	if f.tolerance == 0 {
		return s, nil
	}
	p, err := quality.PerformanceOf(values, len(judged.Signals), quality.Tolerance{Lower: f.nominal - f.tolerance, Upper: f.nominal + f.tolerance}, 0.95)
	if err != nil {
		s.Note = err.Error() // the chart stands without it
		return s, nil
	}
	s.Pp, s.Ppk, s.PpInterval, s.PpkInterval, s.OutsideMost = &p.Pp, &p.Ppk, &p.PpInterval, &p.PpkInterval, &p.OutsideMost
	return s, nil
}

// lines is the chart in words.
func (s *sizeChart) lines(f chartFlags) []string {
	learned := "all values"
	if f.learn > 0 {
		learned = fmt.Sprintf("the first %d in control, up to value %d", f.learn, s.BaseLast)
	}
	out := []string{
		fmt.Sprintf("values     %d, limits from %s", s.Values, learned),
		fmt.Sprintf("mean       %.6g", s.Mean),
		fmt.Sprintf("sigma      %.4g, by the mean moving range of %.4g; uncertain by %.0f %%", s.Sigma, s.MRBar, 100*s.SigmaRelSE),
		fmt.Sprintf("limits     %.6g to %.6g; neighbours may differ by %.4g", s.LCL, s.UCL, s.MRUCL),
	}
	switch {
	case s.Note != "":
		out = append(out, "performance "+s.Note)
	case s.Pp != nil:
		out = append(out, fmt.Sprintf("performance Pp %.3f (95 %%: %.3f to %.3f), Ppk %.3f (95 %%: %.3f to %.3f)", *s.Pp, s.PpInterval.Low, s.PpInterval.High, *s.Ppk, s.PpkInterval.Low, s.PpkInterval.High),
			fmt.Sprintf("           at most %.3g %% out of tolerance, with 95 %% certainty, if sizes are normal", 100**s.OutsideMost))
	}
	if len(s.Signals) == 0 {
		return append(out, "signals    none: no rule is broken")
	}
	out = append(out, fmt.Sprintf("signals    %d", len(s.Signals)))
	const most = 40
	for _, g := range s.Signals[:min(most, len(s.Signals))] {
		out = append(out, fmt.Sprintf("  %s:%d: %s: %s", f.file, g.Line, g.Rule, g.Text))
	}
	if more := len(s.Signals) - most; more > 0 {
		out = append(out, fmt.Sprintf("  and %d more", more))
	}
	if s.Suggestion != nil {
		out = append(out, fmt.Sprintf("suggestion %s: %s", s.Suggestion.Do, s.Suggestion.Text))
	}
	return out
}
