package main

import (
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"beltwarden/daemon/table"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor/belt"
)

// forecastFlags are what forecast is asked.
type forecastFlags struct {
	file, svg             string
	limitMM, worst, atMM  float64
	certainty, ratio      float64
	loopMM                float64
	acceptOutliers, given bool
}

// driftForecast is what forecast prints as JSON.
type driftForecast struct {
	belt.Forecast
	TravelMM float64  `json:"travel_mm"` // where the forecast is made
	Notes    []string `json:"notes"`
}

func newForecast() *cobra.Command {
	var f forecastFlags
	c := &cobra.Command{
		Use:   "forecast --checks FILE.csv --limit-mm L",
		Short: "Forecast the belt's lateral offset from a table of checks",
		Long: "forecast reads the lateral offsets found since the belt was last aligned, from a CSV\n" +
			"file with the header travel_mm,offset_mm (and advance_mm, if the net advance was\n" +
			"noted), and says how the belt drifts and how far it may run until the limit.\n\n" +
			"Rate and offset are those of plain least squares. The distances that are certain allow\n" +
			"for a belt that also moves at random, so they are short while there are few checks.\n" +
			"A reading that does not fit the others is named and left out of the estimates.",
		Example: "  beltwarden forecast --checks belt.csv --limit-mm 3\n  beltwarden forecast --checks belt.csv --limit-mm 3 --svg belt.svg",
		Args:    args(0, 0, ""),
	}
	c.Flags().StringVar(&f.file, "checks", "", "CSV file with the header travel_mm,offset_mm[,advance_mm]")
	c.Flags().Float64Var(&f.limitMM, "limit-mm", 0, "largest offset allowed, to either side, mm")
	c.Flags().Float64Var(&f.worst, "worst-mm-per-m", 0.05, "rate of drift to assume while there are fewer than two checks, mm/m")
	c.Flags().Float64Var(&f.atMM, "at-mm", 0, "belt travel to forecast from, mm (default: that of the last check)")
	c.Flags().Float64Var(&f.ratio, "advance-per-travel", 0, "net advance for each mm of travel of what will run (default: as in the file)")
	c.Flags().Float64Var(&f.loopMM, "loop-mm", 0, "length of the belt's loop, mm: says whether an uneven belt can hide (needs advance_mm)")
	c.Flags().Float64Var(&f.certainty, "certainty", 99, "certainty of the hold, percent")
	c.Flags().BoolVar(&f.acceptOutliers, "accept-outliers", false, "use offsets of more than ten times the limit")
	c.Flags().StringVar(&f.svg, "svg", "", "draw the forecast into this file, - for the output")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := f.check(c); err != nil {
			return err
		}
		t, err := readTable(f.file, table.Column{Name: "travel_mm"}, table.Column{Name: "offset_mm"}, table.Column{Name: "advance_mm", Optional: true})
		if err != nil {
			return err
		}
		readings, notes, err := f.readings(t)
		if err != nil {
			return err
		}
		if f.loopMM > 0 && t.Values["advance_mm"] == nil {
			return usagef("cannot use --loop-mm: %s has no column advance_mm, which says where on the loop each check was", t.File)
		}
		now := f.from(readings)
		o := belt.Outlook{LimitMM: f.limitMM, WorstMMPerM: f.worst, Certainty: f.certainty / 100, AdvancePerTravel: f.ratio, LoopMM: f.loopMM, RealignedAtMM: readings[0].TravelMM}
		r := driftForecast{o.Forecast(readings, now), now.TravelMM, notes}
		if f.svg != "" {
			if err := writePicture(c.OutOrStdout(), f.svg, drawForecast(f, o, readings, now, &r)); err != nil || f.svg == "-" {
				return err
			}
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), r)
		}
		return printLines(c.OutOrStdout(), r.lines(f))
	}
	return c
}

// check names what is wrong with the flags, all of it.
func (f *forecastFlags) check(c *cobra.Command) error {
	if err := needFlags(c, "checks", "limit-mm"); err != nil {
		return err
	}
	f.given = c.Flags().Changed("at-mm")
	var wrong []string
	positive := func(name string, v float64) {
		if !(v > 0) || math.IsInf(v, 0) {
			wrong = append(wrong, fmt.Sprintf("--%s %g is not above 0", name, v))
		}
	}
	positive("limit-mm", f.limitMM)
	positive("worst-mm-per-m", f.worst)
	if !(f.certainty >= 50 && f.certainty < 100) {
		wrong = append(wrong, fmt.Sprintf("--certainty %g is not 50 to below 100", f.certainty))
	}
	if math.IsNaN(f.ratio) || math.Abs(f.ratio) > 1 {
		wrong = append(wrong, fmt.Sprintf("--advance-per-travel %g: a belt cannot advance further than it runs", f.ratio))
	}
	if c.Flags().Changed("loop-mm") {
		positive("loop-mm", f.loopMM)
	}
	if math.IsNaN(f.atMM) || math.IsInf(f.atMM, 0) {
		wrong = append(wrong, fmt.Sprintf("--at-mm %g is not a number", f.atMM))
	}
	if len(wrong) > 0 {
		return usageMany("forecast", wrong)
	}
	return nil
}

// absurd is how many times the limit an offset may be before it is asked back: a slipped
// digit is ten times the true one.
const absurd = 10

// readings takes the rows in order of travel, and notes what was odd about them. Offsets
// that no belt shows are refused with their lines.
func (f *forecastFlags) readings(t *table.Table) (list []belt.Reading, notes []string, err error) {
	var details []string
	seen := map[belt.Reading]int{}
	notes = []string{}
	for i := range t.Rows {
		r := belt.Reading{TravelMM: t.Values["travel_mm"][i], OffsetMM: t.Values["offset_mm"][i]}
		if a := t.Values["advance_mm"]; a != nil {
			r.AdvanceMM = a[i]
		}
		if math.Abs(r.OffsetMM) > absurd*f.limitMM && !f.acceptOutliers {
			details = append(details, fmt.Sprintf("%s:%d: an offset of %g mm is more than %d times the limit of %g mm", t.File, t.Line[i], r.OffsetMM, absurd, f.limitMM))
		}
		if first, twice := seen[r]; twice {
			notes = append(notes, fmt.Sprintf("line %d says the same as line %d; if it was written twice, take one out", t.Line[i], first))
		}
		seen[r] = t.Line[i]
		list = append(list, r)
	}
	if len(details) > 0 {
		return nil, nil, &failure{status: exitTable, err: fmt.Errorf("cannot use %s: %s", t.File, wording.Count(len(details), "offset")+" no belt shows"), details: details,
			hint: "look for a slipped digit or another unit; --accept-outliers takes them as they are"}
	}
	if len(list) == 0 {
		return nil, nil, &failure{status: exitTable, err: fmt.Errorf("cannot use %s: it has no row", t.File), hint: "write one row for each check, the offset at the alignment included"}
	}
	if belt.Sort(list) {
		notes = append(notes, "the rows were not in order of travel and were sorted")
	}
	return list, notes, nil
}

// from is where the forecast is made.
func (f *forecastFlags) from(list []belt.Reading) belt.Reading {
	now := list[len(list)-1]
	if !f.given {
		return now
	}
	ratio := f.ratio
	if first := list[0]; ratio == 0 && now.TravelMM > first.TravelMM {
		ratio = (now.AdvanceMM - first.AdvanceMM) / (now.TravelMM - first.TravelMM)
	}
	return belt.Reading{TravelMM: f.atMM, AdvanceMM: now.AdvanceMM + ratio*(f.atMM-now.TravelMM)}
}

// lines writes the forecast for people.
func (r *driftForecast) lines(f forecastFlags) []string {
	far := func(mm float64) string {
		if mm >= 1e6 {
			return "more than 1000 m"
		}
		return fmt.Sprintf("%.1f m", mm/1000)
	}
	out := []string{fmt.Sprintf("checks     %d used", r.N)}
	if r.Basis == belt.OnWorstRate {
		out[0] = fmt.Sprintf("checks     %d: too few to learn from, so %g mm/m is assumed", r.N, f.worst)
	}
	if r.OffsetMM != nil {
		line := fmt.Sprintf("offset     %+.2f mm at %.3f m", *r.OffsetMM, r.TravelMM/1000)
		if i := r.Offset95MM; i != nil {
			line += fmt.Sprintf(" (95 %%: %+.2f to %+.2f)", i[0], i[1])
		}
		out = append(out, line)
	}
	if r.RateMMPerM != nil {
		line := fmt.Sprintf("rate       %+.4f mm/m", *r.RateMMPerM)
		if i := r.Rate95MMPerM; i != nil {
			line += fmt.Sprintf(" (95 %%: %+.4f to %+.4f), going with %s", i[0], i[1], r.Drive)
		}
		out = append(out, line)
	}
	if mm := r.TravelToLimitMM; mm != nil {
		out = append(out, fmt.Sprintf("limit      %g mm is reached after %s by the line", f.limitMM, far(*mm)))
	}
	out = append(out, fmt.Sprintf("certain    with 95 %% not before %s; hold after %s for %g %%", far(r.TravelToLimitLower95MM), far(r.HoldMM), f.certainty))
	if r.ChangedAtMM != nil {
		out = append(out, fmt.Sprintf("changed    at %.3f m the drift of the belt changed; earlier checks are not used", *r.ChangedAtMM/1000))
	}
	if text := wording.UnevenText(&r.Forecast); text != "" {
		out = append(out, "uneven     "+text)
	}
	for _, flag := range r.Flagged {
		out = append(out, "doubtful   "+flag.String())
	}
	for _, n := range r.Notes {
		out = append(out, "note       "+n)
	}
	return out
}
