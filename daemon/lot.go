package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

func newLot() *cobra.Command {
	c := group(&cobra.Command{Use: "lot", Short: "Order parts, list lots, look at one, end one"})
	c.AddCommand(newLotStart(), newLotList(), newLotShow(), newLotReport(), newLotEnd())
	return c
}

func newLotStart() *cobra.Command {
	var q client.LotRequest
	var lengths, tolerances []float64
	var inTurn, openOnly bool
	var partFrom, partTo []int64
	var papers ledger.Particulars
	c := &cobra.Command{
		Use:   "start JOB... --good N[,M...]",
		Short: "Order good parts of one or more jobs, and begin",
		Long: "start opens a lot of the job files, once the daemon has inspected them. The machine\n" +
			"then heats and moves by itself: keep your hands clear, and have someone awake within reach.\n" +
			"Instead of a file here, give the name of an uploaded job; or lot:7, the job that lot 7\n" +
			"was made from (lot:7:2 its second), from the daemon's copy.",
		Example: "  beltwarden lot start stake-clip.gcode --good 40\n" +
			"  beltwarden lot start stake-clip.gcode drip-peg.gcode --good 40,200 --in-turn\n" +
			"  beltwarden lot start lot:7 --good 40",
		Args: args(1, -1, "one job file or more"),
	}
	f := c.Flags()
	f.IntSliceVar(&q.Good, "good", nil, "good parts ordered: one number for every job, or one for each, separated by commas")
	f.Float64SliceVar(&lengths, "length-mm", nil, "length along the belt that good parts have, mm: one for every job, or one for each")
	f.Float64SliceVar(&tolerances, "tolerance-mm", nil, "tolerance to either side, mm")
	f.StringVar(&q.Name, "name", "", "name of the lot (default: that of the first job)")
	f.Int64SliceVar(&partFrom, "part-from", nil, "first line of the part in each job, to override what inspect finds; 0 leaves a job as found")
	f.Int64SliceVar(&partTo, "part-to", nil, "last line of the part in each job; the lot keeps both")
	f.StringVar(&papers.OrderNumber, "order-number", "", "order number of the customer, for the report")
	f.StringVar(&papers.Material, "material", "", "material, as on the spool's label, for the report")
	f.StringVar(&papers.MaterialBatch, "material-batch", "", "material batch: its maker's number, as on the spool's label, for the report")
	f.BoolVar(&inTurn, "in-turn", false, "make one part of each job in turn instead of one job after the other")
	f.BoolVar(&openOnly, "open-only", false, "open the lot without starting it")
	f.StringVar(&q.NoFirstArticle, "no-first-article", "", "do not hold after the first part of a new job, for this reason, which is kept")
	f.StringVar(&q.By, "by", "", "who orders (default: the user at the socket)")
	asJSON := f.Bool("json", false, "print the answer as JSON")
	c.RunE = func(c *cobra.Command, jobs []string) error {
		if err := needFlags(c, "good"); err != nil {
			return err
		}
		if len(q.Good) != 1 && len(q.Good) != len(jobs) {
			return usagef("cannot start the lot: %s and %s were given; give one number, or one for each job",
				wording.Count(len(jobs), "job"), wording.Count(len(q.Good), "number"))
		}
		for _, n := range q.Good {
			if n < 1 {
				return usagef("cannot start the lot: --good %d: order at least one part", n)
			}
		}
		sizes, err := sizeOrders(lengths, tolerances, len(jobs))
		if err != nil {
			return err
		}
		q.Sizes = sizes
		if q.Parts, err = partLines(partFrom, partTo, len(jobs)); err != nil {
			return err
		}
		for _, j := range jobs {
			if _, _, ok := client.ParseCopy(j); ok {
				q.Jobs = append(q.Jobs, j)
				continue
			}
			path, err := filepath.Abs(j) // the daemon has another working directory
			if err != nil {
				return fmt.Errorf("cannot start the lot: %w", err)
			}
			q.Jobs = append(q.Jobs, path)
		}
		if papers != (ledger.Particulars{}) {
			q.Particulars = &papers
		}
		q.Order, q.Start = ledger.OrderBlocks, !openOnly
		if inTurn {
			q.Order = ledger.OrderTurn
		}
		return lotProblem(sendRequest(c, *asJSON, func(ctx context.Context, d *client.Client) (supervisor.Result, error) {
			takeUploaded(ctx, d, jobs, q.Jobs)
			return d.OpenLot(ctx, q)
		}))
	}
	return c
}

// takeUploaded names the uploaded job where a plain name is no file here and one of that name was
// uploaded.
func takeUploaded(ctx context.Context, d *client.Client, given, paths []string) {
	var stored []client.Job
	for i, j := range given {
		if _, err := os.Stat(j); !errors.Is(err, fs.ErrNotExist) || j != filepath.Base(j) || j == paths[i] {
			continue
		}
		if stored == nil {
			var err error
			if stored, err = d.Jobs(ctx); err != nil {
				return // the order itself will say what is wrong
			}
		}
		if slices.ContainsFunc(stored, func(s client.Job) bool { return s.Name == j }) {
			paths[i] = j
		}
	}
}

// partLines puts the first line of each part to its last.
func partLines(from, to []int64, jobs int) (list []job.Lines, err error) {
	switch {
	case len(from) == 0 && len(to) == 0:
		return nil, nil
	case len(from) != jobs || len(to) != jobs:
		return nil, usagef("cannot start the lot: --part-from and --part-to take a line for each of %s: %s and %s were given",
			wording.Count(jobs, "job"), wording.Count(len(from), "line"), wording.Count(len(to), "line"))
	}
	for i := range from {
		l := job.Lines{From: from[i], To: to[i]}
		if l != (job.Lines{}) {
			if err := wrongPart(l, true, true); err != nil {
				return nil, err
			}
		}
		list = append(list, l)
	}
	return list, nil
}

// sizeOrders puts each length to its tolerance.
func sizeOrders(lengths, tolerances []float64, jobs int) (list []book.SizeOrder, err error) {
	switch {
	case len(lengths) == 0 && len(tolerances) == 0:
		return nil, nil
	case len(lengths) != len(tolerances):
		return nil, usagef("cannot start the lot: --length-mm and --tolerance-mm belong together: %s and %s were given",
			wording.Count(len(lengths), "length"), wording.Count(len(tolerances), "tolerance"))
	case len(lengths) != 1 && len(lengths) != jobs:
		return nil, usagef("cannot start the lot: %s and %s were given; give one length, or one for each job", wording.Count(jobs, "job"), wording.Count(len(lengths), "length"))
	}
	for i, l := range lengths {
		list = append(list, book.SizeOrder{LengthMM: l, ToleranceMM: tolerances[i]})
	}
	return list, nil
}

// lotProblem gives job files that the daemon refuses the status of refused jobs.
func lotProblem(err error) error {
	var p *client.Problem
	if !errors.As(err, &p) || p.Status != http.StatusUnprocessableEntity {
		return err
	}
	f := classifyRemote(err)
	f.status = exitJob
	if f.hint == "" {
		f.hint = "look at each job with: beltwarden inspect JOB"
	}
	return f
}

func newLotList() *cobra.Command {
	c := &cobra.Command{Use: "list", Short: "List all lots, newest first", Args: args(0, 0, "")}
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		return withDaemon(c, func(ctx context.Context, d *client.Client) error {
			lots, err := d.Lots(ctx)
			if err != nil {
				return err
			}
			if *asJSON {
				return printJSON(c.OutOrStdout(), lots)
			}
			return printLines(c.OutOrStdout(), wording.Lots(lots, style(c.OutOrStdout())))
		})
	}
	return c
}

func newLotShow() *cobra.Command {
	c := &cobra.Command{Use: "show ID", Short: "Show one lot with its cycles, holds and checks", Args: args(1, 1, "the number of one lot")}
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := lotID(args[0])
		if err != nil {
			return err
		}
		return withDaemon(c, func(ctx context.Context, d *client.Client) error {
			lot, err := d.Lot(ctx, id)
			if err != nil {
				return err
			}
			if *asJSON {
				return printJSON(c.OutOrStdout(), lot)
			}
			return printLines(c.OutOrStdout(), wording.Lot(lot, style(c.OutOrStdout())))
		})
	}
	return c
}

func newLotEnd() *cobra.Command {
	var reason string
	c := &cobra.Command{Use: "end ID --reason TEXT", Short: "Give up a lot", Args: args(1, 1, "the number of one lot")}
	c.Flags().StringVar(&reason, "reason", "", "why; it is recorded")
	asJSON := c.Flags().Bool("json", false, "print the answer as JSON")
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := lotID(args[0])
		if err != nil {
			return err
		}
		if err := needFlags(c, "reason"); err != nil {
			return err
		}
		return sendRequest(c, *asJSON, func(ctx context.Context, d *client.Client) (supervisor.Result, error) {
			return d.EndLot(ctx, id, reason)
		})
	}
	return c
}

func lotID(text string) (int64, error) {
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id < 1 {
		return 0, &failure{status: exitUsage, err: fmt.Errorf("cannot find lot %q: lots have numbers from 1", text), hint: "see: beltwarden lot list"}
	}
	return id, nil
}
