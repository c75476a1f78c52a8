package screen

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/daemon/picture"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// mostOrdered bounds the jobs of one lot that the form has room for.
const mostOrdered = 12

// orderView is the form that begins a lot: first a job file, then what it will do, then
// the order.
type orderView struct {
	Key      string
	Mistakes []mistake
	Jobs     []jobChoice
	Chosen   []chosenJob
	Blocked  bool // a chosen job must not run
	Many     bool
	Order    []option
	Name, By field
	Papers   []field // for the report
	Begins   bool    // the machine can begin it at once
	State    string  // of the machine
	Quote    []row   // what the lot would take; nil before the numbers are entered
	Article  field
	Limit    string
	UploadTo string // address of an upload that adds to what is chosen
}

type jobChoice struct {
	Name, Title, Size, Stored string
	Chosen                    bool
}

// chosenJob is a job with its inspection.
type chosenJob struct {
	Name, Title             string
	Wrong                   string
	Facts                   []row
	Findings                []findingView
	SVG, Desc               string
	Good, Length, Tolerance field
	PartFrom, PartTo        field
	PartMoved               bool
	plan                    *job.Plan
}

type findingView struct{ Severity, Where, Text, Remedy string }

func (sc *screen) orderForm(w http.ResponseWriter, r *http.Request) {
	sc.showOrder(w, r, http.StatusOK, r.URL.Query()["job"], nil)
}

// HasPapers says whether something was entered for the report.
func (v orderView) HasPapers() bool {
	return slices.ContainsFunc(v.Papers, func(f field) bool { return f.Value != "" || f.Wrong != "" })
}

// showOrder inspects the chosen jobs and writes the form.
func (sc *screen) showOrder(w http.ResponseWriter, r *http.Request, status int, chosen []string, f *form) {
	patient(w)
	ctx, cancel := context.WithTimeout(r.Context(), inspectLimit)
	defer cancel()
	s := sc.Run.Snapshot()
	p := sc.page(r, "Begin a lot")
	v := orderView{Key: p.Key, Limit: bytesText(sc.Jobs.LimitBytes())}
	if f != nil {
		v.Mistakes = f.mistakes
	}
	list, err := sc.Jobs.List()
	if err != nil {
		sc.fail(w, r, err)
		return
	}
	for _, name := range chosen {
		if _, _, ok := client.ParseCopy(name); ok {
			v.Jobs = append(v.Jobs, jobChoice{name, title(name), "", "", true})
		}
	}
	for _, j := range list[:min(len(list), 100)] {
		v.Jobs = append(v.Jobs, jobChoice{j.Name, j.Name, bytesText(j.Bytes), wording.Clock(j.Stored, s.At), slices.Contains(chosen, j.Name)})
	}
	if len(chosen) > mostOrdered {
		chosen = chosen[:mostOrdered]
	}
	for i, name := range chosen {
		c := sc.chosen(ctx, i, name, f)
		v.Blocked = v.Blocked || c.Wrong != "" || slices.ContainsFunc(c.Findings, func(x findingView) bool { return x.Severity == "Error" })
		v.Chosen = append(v.Chosen, c)
	}
	if v.UploadTo = "/lots/new"; len(chosen) > 0 {
		v.UploadTo += "?" + url.Values{"job": chosen}.Encode()
	}
	v.Many = len(v.Chosen) > 1
	v.Order = options(f, "order", [][2]string{{ledger.OrderBlocks, "one job after the other"}, {ledger.OrderTurn, "one part of each in turn"}})
	v.Name = f.fill(field{Name: "name", Label: "Name of the lot", Wide: true, Hint: "Leave empty to use the first job's name."})
	v.Papers = []field{
		f.fill(field{Name: "order_number", Label: "Order number of the customer", Wide: true}),
		f.fill(field{Name: "material", Label: "Material, as on the spool's label", Wide: true}),
		f.fill(field{Name: "material_batch", Label: "Material batch, as on the spool's label", Wide: true}),
	}
	v.By = f.fill(field{Name: "by", Label: "Your name", Auto: "name"})
	v.Article = f.fill(field{Name: "no_first_article", Label: "Do not hold after the first part, because", Wide: true,
		Hint: "Leave empty: somebody should look at the first part of a job before more are made."})
	v.State = s.State.String()
	v.Begins = s.State == supervisor.Idle || s.State == supervisor.Stopped || s.State == supervisor.Complete || s.State == supervisor.Resetting
	v.Quote = sc.quoteOf(r, f, v.Chosen)
	p.Body = v
	sc.write(w, status, "order", p)
}

// chosen inspects one job.
func (sc *screen) chosen(ctx context.Context, i int, name string, f *form) chosenJob {
	c := chosenJob{Name: name, Title: title(name)}
	c.Good = f.fill(field{Name: fmt.Sprintf("good_%d", i+1), Label: "Good parts ordered", Mode: "numeric"})
	c.Length = f.fill(field{Name: fmt.Sprintf("length_%d", i+1), Label: "Length of a good part along the belt", Unit: "mm", Mode: "decimal", Hint: "Optional. Measured lengths are judged against it."})
	c.Tolerance = f.fill(field{Name: fmt.Sprintf("tolerance_%d", i+1), Label: "Tolerance, to either side", Unit: "mm", Mode: "decimal"})
	c.PartFrom = f.fill(field{Name: fmt.Sprintf("part_from_%d", i+1), Label: "First line of the part", Mode: "numeric"})
	c.PartTo = f.fill(field{Name: fmt.Sprintf("part_to_%d", i+1), Label: "Last line of the part", Mode: "numeric"})
	part := f.part(i)
	c.PartMoved = part != (job.Lines{})
	plan, err := sc.inspect(ctx, name, sc.Inspect, part)
	var refusal *job.Refusal
	if errors.As(err, &refusal) {
		for _, found := range refusal.Problems {
			c.Findings = append(c.Findings, finding(found))
		}
		c.Wrong = "This file cannot be run as a job."
		return c
	}
	if err != nil {
		c.Wrong = sentence(err.Error()) + "."
		return c
	}
	c.plan = plan
	c.PartFrom.Hint = fmt.Sprintf("Found: line %d. %s.", plan.Body.FirstLine, sentence(plan.Body.Why))
	if c.PartMoved {
		c.PartFrom.Hint = "Leave empty to find it automatically."
	}
	c.PartTo.Hint = fmt.Sprintf("Found: line %d. The lot's copy of the job keeps the lines that you enter here.", plan.Body.LastLine)
	if c.PartMoved {
		c.PartTo.Hint = "Leave empty to find it automatically. The lot's copy of the job keeps the lines that you enter here."
	}
	for _, severity := range []job.Severity{job.Error, job.Warning} { // what must be known before what may be
		for _, found := range plan.Findings {
			if found.Severity == severity {
				c.Findings = append(c.Findings, finding(found))
			}
		}
	}
	for _, found := range plan.Findings {
		if found.Severity != job.Error && found.Severity != job.Warning {
			c.Findings = append(c.Findings, finding(found))
		}
	}
	e, l := plan.ExtentMM, plan.Placing
	c.Facts = []row{
		{"One part", fmt.Sprintf("%.1f mm along the belt, %.1f mm across, %.1f mm high", l.FootprintMM[1]-l.FootprintMM[0], e.X[1]-e.X[0], l.HeightMM)},
		{"Time", wording.Span(plan.Duration) + " of motion, plus heating, cooling and discharge"},
		{"Filament", fmt.Sprintf("%.2f m, %.1f g", plan.FilamentMM/1000, plan.FilamentG)},
		{"Belt", fmt.Sprintf("%.2f m of travel for each part, %.1f mm from part to part", (plan.BeltTravelMM+max(0, plan.PitchMM-plan.BeltAdvanceMM))/1000, plan.PitchMM)},
		{"Lines", fmt.Sprintf("%d, of which %d make a part; %s withheld, %s added", plan.Lines, plan.Body.SendLines, wording.Count(len(plan.Withheld), "line"), wording.Count(len(plan.Added), "line"))},
	}
	if track, err := plan.Track(ctx, sc.Job); err == nil {
		if paths, err := picture.PathsOf(ctx, plan, sc.Job); err == nil {
			c.SVG = picture.Job(plan, track, paths, sc.Job, sc.AdvanceFeed, picture.PagePX).Fragment()
		}
	}
	return c
}

// part reads which lines of a job are the part; the zero value is left to be found.
func (f *form) part(i int) (l job.Lines) {
	if f == nil {
		return l
	}
	from, to := fmt.Sprintf("part_from_%d", i+1), fmt.Sprintf("part_to_%d", i+1)
	line := func(name string) int64 {
		text := f.text(name)
		n, err := strconv.ParseInt(text, 10, 64)
		if text != "" && (err != nil || n < 1) && f.wrongAt(name) == "" {
			f.wrong(name, "Enter a line number.")
		}
		return max(0, n)
	}
	switch l = (job.Lines{From: line(from), To: line(to)}); {
	case f.wrongAt(from) != "" || f.wrongAt(to) != "":
	case l.From == 0 && l.To > 0:
		f.wrong(from, "Enter the part's first line too.")
	case l.To < l.From:
		f.wrong(to, "The last line is not before the first.")
	default:
		return l
	}
	return job.Lines{}
}

// title is what a job is called on the page.
func title(name string) string {
	if lot, index, ok := client.ParseCopy(name); ok {
		return fmt.Sprintf("Job %d of lot %d, as it was made then", index+1, lot)
	}
	return name
}

func finding(f job.Finding) findingView {
	v := findingView{Severity: sentence(string(f.Severity)), Text: sentence(f.Text), Remedy: sentence(f.Remedy)}
	if f.Line > 0 {
		v.Where = fmt.Sprintf("line %d", f.Line)
	}
	return v
}

// inspect reads a stored job for this machine, one at a time.
func (sc *screen) inspect(ctx context.Context, name string, read job.Inspector, part job.Lines) (*job.Plan, error) {
	path := name
	if _, _, ok := client.ParseCopy(name); !ok {
		var err error
		if path, err = sc.Jobs.Path(name); err != nil {
			return nil, err
		}
	}
	select {
	case sc.inspector <- struct{}{}:
		defer func() { <-sc.inspector }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return read(ctx, path, part)
}

// patient lifts the server's bounds on reading and answering, since a file of a gigabyte
// takes longer than anything else may.
func patient(w http.ResponseWriter) {
	until := time.Now().Add(inspectLimit + time.Minute)
	out := http.NewResponseController(w)
	_, _ = out.SetWriteDeadline(until), out.SetReadDeadline(until) // not possible without a connection, as in a test
}

// openLot orders the chosen jobs.
func (sc *screen) openLot(w http.ResponseWriter, r *http.Request) {
	f := sc.formOf(w, r)
	if f == nil {
		return
	}
	chosen := f.values["job"]
	if f.text("look") != "" { // where the part begins and ends is to be shown, and no more
		for i := range chosen {
			f.part(i)
		}
		sc.showOrder(w, r, http.StatusOK, chosen, f)
		return
	}
	defer sc.Jobs.Hold()()
	patient(w)
	ctx, cancel := context.WithTimeout(r.Context(), inspectLimit)
	defer cancel()
	q := sc.lotRequest(ctx, f, chosen)
	if len(f.mistakes) > 0 {
		sc.showOrder(w, r, http.StatusUnprocessableEntity, chosen, f)
		return
	}
	result, err := sc.Run.Do(r.Context(), supervisor.Request{By: sc.Who(r, f.text("by")), Lot: q})
	if err != nil {
		_, what, remedy := sc.reason(r, err)
		f.wrong("", what+". "+remedy)
		sc.showOrder(w, r, http.StatusConflict, chosen, f)
		return
	}
	done := "lot"
	if q.Start {
		done = "lot-start"
	}
	http.Redirect(w, r, fmt.Sprintf("/lots/%d?done=%s", result.LotID, done), http.StatusSeeOther)
}

// lotRequest reads the order.
func (sc *screen) lotRequest(ctx context.Context, f *form, chosen []string) *supervisor.LotRequest {
	q := &supervisor.LotRequest{Name: f.text("name"), Order: ledger.OrderBlocks, Start: f.ticked("start"), NoFirstArticle: f.text("no_first_article"),
		Particulars: ledger.Particulars{OrderNumber: f.text("order_number"), Material: f.text("material"), MaterialBatch: f.text("material_batch")}}
	if f.text("order") == ledger.OrderTurn {
		q.Order = ledger.OrderTurn
	}
	if len(chosen) == 0 || len(chosen) > mostOrdered {
		f.wrong("", fmt.Sprintf("Choose 1 to %d jobs.", mostOrdered))
		return q
	}
	take := sc.Take
	if take == nil {
		take = sc.Inspect
	}
	sized := false
	for i, name := range chosen {
		good, length, tolerance := fmt.Sprintf("good_%d", i+1), fmt.Sprintf("length_%d", i+1), fmt.Sprintf("tolerance_%d", i+1)
		n := f.whole(good, "The number of good parts")
		if n < 1 && f.wrongAt(good) == "" {
			f.wrong(good, "Enter how many good parts of "+name+" are ordered.")
		}
		var size book.SizeOrder
		l, t := f.decimal(length, "The length"), f.decimal(tolerance, "The tolerance")
		switch {
		case l != nil && t != nil && *l > 0 && *t > 0:
			size, sized = book.SizeOrder{LengthMM: *l, ToleranceMM: *t}, true
		case l != nil && t != nil:
			f.wrong(length, "Enter a length and a tolerance above 0.")
		case l != nil && f.wrongAt(tolerance) == "":
			f.wrong(tolerance, "Enter the tolerance.")
		case t != nil && f.wrongAt(length) == "":
			f.wrong(length, "Enter the length of a good part.")
		}
		part := f.part(i)
		plan, err := sc.inspect(ctx, name, take, part)
		switch {
		case err != nil:
			f.wrong("", name+": "+err.Error())
			continue
		case plan.Blocked():
			f.wrong("", name+" must not run: see its findings.")
		}
		q.Good, q.Plans, q.Sizes = append(q.Good, n), append(q.Plans, plan), append(q.Sizes, size)
	}
	if !sized {
		q.Sizes = nil
	}
	return q
}
