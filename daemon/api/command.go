package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"

	"beltwarden/daemon/access"
	"beltwarden/daemon/archive"
)

// maxJobs bounds how many files one lot may be made of.
const maxJobs = 100

// ask returns a handler that decodes a request of type T, hands what it asks for to the run, and
// answers with the result.
func ask[T any](b *api, request func(r *http.Request, q *T) (supervisor.Request, error)) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		var q T
		if err := decode(r, &q); err != nil {
			return err
		}
		asked, err := request(r, &q)
		if err != nil {
			return err
		}
		return b.do(w, r, asked)
	}
}

// do hands a request to the run and answers with the result.
func (b *api) do(w http.ResponseWriter, r *http.Request, q supervisor.Request) error {
	result, err := b.Run.Do(r.Context(), q)
	if err != nil {
		return err
	}
	return answer(w, http.StatusOK, result)
}

func command(r *http.Request, q *client.CommandRequest) (supervisor.Request, error) {
	unfit := func(detail, remedy string) (supervisor.Request, error) {
		return supervisor.Request{}, &badRequest{http.StatusUnprocessableEntity, detail, remedy}
	}
	switch {
	case q.Command == supervisor.StateComplete:
		return unfit("field \"command\" is missing", "name one of: "+commandNames())
	case (q.AfterPart || q.ClearBelt) && q.Command != supervisor.Stop:
		return unfit("after_part and clear_belt are for stop only", "leave them out")
	case q.GoOn && q.Command != supervisor.Clear && q.Command != supervisor.Reset:
		return unfit("go_on is for clear and reset only", "leave it out")
	case q.Mended != "" && q.Command != supervisor.Clear:
		return unfit("mended is for clear only", "leave it out")
	}
	return supervisor.Request{Command: q.Command, Repair: q.Mended, By: access.Actor(r, q.By), Override: q.Override, AfterPart: q.AfterPart, ClearBelt: q.ClearBelt, Continue: q.GoOn}, nil
}

func commandNames() string {
	var names []string
	for _, c := range supervisor.Commands() {
		names = append(names, strings.ToLower(c.String()))
	}
	return strings.Join(names, ", ")
}

func recordVisit(r *http.Request, q *client.CheckRequest) (supervisor.Request, error) {
	return supervisor.Request{Visit: &q.Visit, By: access.Actor(r, q.By)}, nil
}

// acknowledge records that somebody knows of the alerts so far.
func acknowledge(r *http.Request, q *client.Acknowledgement) (supervisor.Request, error) {
	return supervisor.Request{Acknowledge: true, By: access.Actor(r, q.By)}, nil
}

// scale sets the belt's scale on the board. The answer comes once the board has confirmed it.
func scale(r *http.Request, q *client.ScaleRequest) (supervisor.Request, error) {
	if given := q.StepsPerMM != 0 || q.NowStepsPerMM != 0; given == q.Undo {
		return supervisor.Request{}, &badRequest{http.StatusUnprocessableEntity, "give steps_per_mm and now_steps_per_mm, or only undo", "leave out the others"}
	}
	return supervisor.Request{Scale: &q.ScaleRequest, By: access.Actor(r, q.By)}, nil
}

// beginTrial runs the belt to try its alignment. The answer comes before the belt has run.
func beginTrial(r *http.Request, q *client.TrialBeginRequest) (supervisor.Request, error) {
	return supervisor.Request{TrialBegin: &q.TrialBegin, By: access.Actor(r, q.By)}, nil
}

// endTrial judges the alignment by the second reading.
func endTrial(r *http.Request, q *client.TrialEndRequest) (supervisor.Request, error) {
	return supervisor.Request{TrialEnd: &q.TrialEnd, By: access.Actor(r, q.By)}, nil
}

func (b *api) openLot(w http.ResponseWriter, r *http.Request) error {
	var q client.LotRequest
	if err := decode(r, &q); err != nil {
		return err
	}
	if b.Shelf != nil {
		defer b.Shelf.Hold()()
	}
	if err := b.checkLot(&q); err != nil {
		return err
	}
	allowLongReply(w)
	ctx, cancel := context.WithTimeout(r.Context(), inspectLimit)
	defer cancel()
	plans, err := b.inspect(ctx, q.Jobs, q.Parts)
	if err != nil {
		return err
	}
	lot := &supervisor.LotRequest{Name: q.Name, Order: q.Order, Plans: plans, Good: q.Good, Sizes: q.Sizes, NoFirstArticle: q.NoFirstArticle, Start: q.Start}
	if q.Particulars != nil {
		lot.Particulars = *q.Particulars
	}
	return b.do(w, r, supervisor.Request{By: access.Actor(r, q.By), Lot: lot})
}

// allowLongReply lifts the server's bound on answering, since reading a file of a
// gigabyte takes longer than any other answer may.
func allowLongReply(w http.ResponseWriter) {
	until := time.Now().Add(inspectLimit + time.Minute)
	_ = http.NewResponseController(w).SetWriteDeadline(until) // not possible without a connection, as in a test
}

// checkLot reports everything that is wrong with an order, before a file is read.
func (b *api) checkLot(q *client.LotRequest) error {
	var bad []string
	switch {
	case len(q.Jobs) == 0:
		bad = append(bad, "jobs: no job file is named")
	case len(q.Jobs) > maxJobs:
		bad = append(bad, fmt.Sprintf("jobs: %d files are more than %d", len(q.Jobs), maxJobs))
	}
	for i, said := range q.Jobs {
		if _, _, copied := client.ParseCopy(said); copied || filepath.IsAbs(said) {
			continue
		}
		path, err := b.stored(said)
		if err != nil {
			bad = append(bad, fmt.Sprintf("jobs[%d]: %q is not an absolute path, and no job of that name is stored", i, said))
			continue
		}
		q.Jobs[i] = path
	}
	if len(q.Good) == 1 {
		for len(q.Good) < min(len(q.Jobs), maxJobs) {
			q.Good = append(q.Good, q.Good[0])
		}
	}
	if len(q.Sizes) == 1 {
		for len(q.Sizes) < min(len(q.Jobs), maxJobs) {
			q.Sizes = append(q.Sizes, q.Sizes[0])
		}
	}
	if len(q.Good) != len(q.Jobs) {
		bad = append(bad, fmt.Sprintf("good: %d counts for %d jobs", len(q.Good), len(q.Jobs)))
	}
	if len(q.Parts) > 0 && len(q.Parts) != len(q.Jobs) {
		bad = append(bad, fmt.Sprintf("part_lines: %d parts for %d jobs", len(q.Parts), len(q.Jobs)))
	}
	for i, l := range q.Parts {
		if l != (job.Lines{}) && (l.From < 1 || l.To < l.From) {
			bad = append(bad, fmt.Sprintf("part_lines[%d]: from %d to %d are not lines of a file", i, l.From, l.To))
		}
	}
	for i, n := range q.Good {
		if n < 1 {
			bad = append(bad, fmt.Sprintf("good[%d]: %d good parts cannot be ordered", i, n))
		}
	}
	if q.Order != "" && q.Order != "blocks" && q.Order != "turn" {
		bad = append(bad, fmt.Sprintf("order: %q is neither blocks nor turn", q.Order))
	}
	if len(bad) == 0 {
		return nil
	}
	return &badRequest{http.StatusUnprocessableEntity, strings.Join(bad, "\n"), "correct these fields"}
}

// inspect reads the job files, one lot's at a time, and returns every reason why
// one of them cannot run.
func (b *api) inspect(ctx context.Context, paths []string, parts []job.Lines) ([]*job.Plan, error) {
	select {
	case b.inspector <- struct{}{}:
		defer func() { <-b.inspector }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	take := b.Take
	if take == nil {
		take = b.Inspect
	}
	type asked struct {
		path string
		part job.Lines
	}
	seen := map[asked]*job.Plan{}
	tried := map[asked]bool{}
	var plans []*job.Plan
	var problems []string
	for i, path := range paths {
		q := asked{path: path}
		if len(parts) > 0 {
			q.part = parts[i]
		}
		if !tried[q] {
			tried[q] = true
			plan, err := take(ctx, path, q.part)
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			if errors.Is(err, archive.ErrFull) {
				return nil, err
			}
			if err != nil {
				problems = append(problems, err.Error())
				continue
			}
			seen[q] = plan
			problems = append(problems, blockers(plan)...)
		}
		plans = append(plans, seen[q])
	}
	if len(problems) > 0 {
		return nil, &badRequest{http.StatusUnprocessableEntity, strings.Join(problems, "\n"), "correct the job files and open the lot again"}
	}
	return plans, nil
}

// blockers are the findings that keep a lot from starting.
func blockers(p *job.Plan) (lines []string) {
	for _, f := range p.Findings {
		if f.Severity == job.Error {
			lines = append(lines, (&job.Refusal{Path: p.Path, Problems: []job.Finding{f}}).Error())
		}
	}
	return lines
}

func (b *api) endLot(r *http.Request, q *client.EndRequest) (supervisor.Request, error) {
	id, err := lotID(r)
	if err != nil {
		return supervisor.Request{}, err
	}
	if lot := b.Run.Snapshot().Lot; lot == nil || lot.ID != id {
		ctx, cancel := context.WithTimeout(r.Context(), readLimit)
		defer cancel()
		if _, err := b.Ledger.Lot(ctx, id); err != nil {
			return supervisor.Request{}, err
		}
		return supervisor.Request{}, &supervisor.Refusal{What: "end the lot", Why: fmt.Sprintf("lot %d is not in progress", id), Remedy: "this lot has already ended"}
	}
	return supervisor.Request{EndLot: true, By: access.Actor(r, q.By), Override: q.Reason}, nil
}

// lotID reads the number in the path.
func lotID(r *http.Request) (int64, error) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil || id < 1 {
		return 0, &badRequest{http.StatusNotFound, fmt.Sprintf("%q is not a lot number", r.PathValue("id")), "see the list of lots: beltwarden lot list"}
	}
	return id, nil
}
