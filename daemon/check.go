package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// visitFlags are the flags of check as they stand on the command line.
type visitFlags struct {
	offsetMM, spoolG, seamMM float64
	lengthsMM                []float64
	scrap                    []string
	job                      int
	request                  client.CheckRequest
}

func newCheck() *cobra.Command {
	var v visitFlags
	c := &cobra.Command{
		Use:   "check",
		Short: "Record a visit: what you found and did at the machine",
		Long: "check records a visit. Give only what you measured, counted or did; the rest stays\n" +
			"as it is. Count only parts not looked at before.\n\n" +
			"With --corrects it replaces an earlier check as a whole: repeat what was right in\n" +
			"it. Both stay in the record.",
		Example: "  beltwarden check --offset-mm -0.4 --good 11 --scrap warped=1\n" +
			"  beltwarden check --realigned --note \"tracked at the drop roller\"\n" +
			"  beltwarden check --corrects 12 --offset-mm -0.4 --good 10 --scrap warped=2",
		Args: args(0, 0, ""),
	}
	f, q := c.Flags(), &v.request
	f.Float64Var(&v.offsetMM, "offset-mm", 0, "lateral offset of the belt as found, mm, + to the right from where you stand")
	f.Float64SliceVar(&v.lengthsMM, "length-mm", nil, "a measured part length, mm; repeat it or separate by commas")
	f.IntSliceVar(&q.SetAside, "set-aside", nil, "number of an earlier length to leave out of the control limits; --note says why")
	f.BoolVar(&q.AcceptLengths, "accept-lengths", false, "set control limits from the lengths as they are; --note says why")
	f.IntVar(&q.Good, "good", 0, "parts found good")
	f.StringArrayVar(&v.scrap, "scrap", nil, "parts found bad, as reason=number; repeat it for each reason")
	f.Float64SliceVar(&q.DetachedMin, "detached-min", nil, "minutes after its start at which a part came off the belt; repeat for each. Counts as scrap with reason detached")
	f.StringVar(&q.Surface, "surface", "", "new belt surface: cleaned or taped")
	f.StringArrayVar(&q.Did, "did", nil, "something that the configuration wants done every so often (hold.care) was done, by its name; repeat it for each")
	f.IntVar(&v.job, "job", 1, "which job of the lot the counts are for, 1 the first")
	f.StringVar(&q.Interrupted, "interrupted", "", "the interrupted part: good or scrap")
	f.BoolVar(&q.Realigned, "realigned", false, "the belt was realigned")
	f.BoolVar(&q.BeltCleared, "belt-cleared", false, "nothing is under or just in front of the head")
	f.Float64Var(&v.seamMM, "seam-mm", 0, "middle of the belt's seam, mm ahead of the nozzle towards the drop edge")
	f.Float64Var(&v.spoolG, "spool-g", 0, "mass of the spool, g")
	f.BoolVar(&q.BinEmptied, "bin-emptied", false, "the bin was emptied")
	f.StringVar(&q.Note, "note", "", "anything else worth recording")
	f.Int64Var(&q.Corrects, "corrects", 0, "number of an earlier check that this one replaces as a whole")
	f.BoolVar(&q.Sure, "sure", false, "confirm values that were questioned")
	f.StringVar(&q.By, "by", "", "who was at the machine (default: the user at the socket)")
	asJSON := f.Bool("json", false, "print the answer as JSON")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := v.fill(c); err != nil {
			return err
		}
		return sendRequest(c, *asJSON, func(ctx context.Context, d *client.Client) (supervisor.Result, error) {
			return d.Check(ctx, v.request)
		})
	}
	return c
}

// fill puts the flags that were given into the request, and reports every one
// that cannot be right.
func (v *visitFlags) fill(c *cobra.Command) error {
	given := c.Flags().Changed
	if !slices.ContainsFunc([]string{"offset-mm", "length-mm", "good", "scrap", "interrupted", "realigned", "belt-cleared",
		"seam-mm", "spool-g", "bin-emptied", "note", "corrects", "detached-min", "surface", "did", "set-aside", "accept-lengths"}, given) {
		return &failure{status: exitUsage, err: fmt.Errorf("cannot record the check: nothing to record"),
			hint: "give at least one of the flags that beltwarden check --help lists"}
	}
	q := &v.request
	var wrong []string
	number := func(name string, values ...float64) {
		for _, x := range values {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				wrong = append(wrong, fmt.Sprintf("--%s %g is not a number", name, x))
			}
		}
	}
	number("offset-mm", v.offsetMM)
	number("length-mm", v.lengthsMM...)
	number("detached-min", q.DetachedMin...)
	number("spool-g", v.spoolG)
	number("seam-mm", v.seamMM)
	if given("offset-mm") {
		q.OffsetMM = &v.offsetMM
	}
	if given("seam-mm") {
		q.SeamMM = &v.seamMM
	}
	if given("spool-g") {
		q.SpoolG = &v.spoolG
	}
	q.LengthsMM = v.lengthsMM
	if v.job < 1 {
		wrong = append(wrong, fmt.Sprintf("--job %d: jobs count from 1", v.job))
	}
	q.Job = v.job - 1
	if given("corrects") && q.Corrects < 1 {
		wrong = append(wrong, fmt.Sprintf("--corrects %d: checks have numbers from 1", q.Corrects))
	}
	if given("interrupted") && q.Interrupted != "good" && q.Interrupted != "scrap" {
		wrong = append(wrong, fmt.Sprintf("--interrupted %q: write good or scrap", q.Interrupted))
	}
	if q.Good < 0 {
		wrong = append(wrong, fmt.Sprintf("--good %d: it cannot be below 0", q.Good))
	}
	scrap, bad := scrapCounts(v.scrap)
	q.Scrap = scrap
	if wrong = append(wrong, bad...); len(wrong) > 0 {
		return usageMany("record the check", wrong)
	}
	return nil
}

// scrapCounts reads reason=number pairs; several may stand in one flag, separated
// by commas.
func scrapCounts(flags []string) (counts map[string]int, wrong []string) {
	for _, flag := range flags {
		for _, pair := range strings.Split(flag, ",") {
			reason, number, ok := strings.Cut(pair, "=")
			reason = strings.TrimSpace(reason)
			n, err := strconv.Atoi(strings.TrimSpace(number))
			switch {
			case !ok || reason == "" || err != nil || n < 0:
				wrong = append(wrong, fmt.Sprintf("--scrap %q: write reason=number, such as warped=2", pair))
				continue
			case counts == nil:
				counts = map[string]int{}
			}
			if _, twice := counts[reason]; twice {
				wrong = append(wrong, fmt.Sprintf("--scrap %s is given twice", reason))
			}
			counts[reason] += n
		}
	}
	return counts, wrong
}
