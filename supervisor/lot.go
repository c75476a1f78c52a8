package supervisor

import (
	"fmt"
	"path/filepath"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/pace"
)

// lot is the lot in progress: its count, and the part of its state that belongs to this process.
type lot struct {
	*book.Lot
	plans         []*job.Plan // nil where the file could not be inspected again
	missingPlan   string      // why a plan is missing
	leadInDone    map[int]bool
	runStarted    bool // a part was begun since the run started
	nextBeginsHot bool // and nothing was done since: the next part begins hot
	pace          pace.Model

	ready   *ReadyView // never modified: snapshots share it
	readyOf readyKey
	readyAt time.Time

	filamentMM float64 // running total when the newest part was made
}

// openLot opens a lot for an order.
func (m *Machine) openLot(r Request) error {
	const what = "start the lot"
	if err := m.checkForward(what); err != nil {
		return err
	}
	q := r.Lot
	if m.lot != nil && ledger.Unfinished(m.lot.Status) {
		return &Refusal{What: what, Why: fmt.Sprintf("lot %d is not finished, %s", m.lot.ID, m.lot.Total()),
			Remedy: "record a check of its parts, or give it up", Command: fmt.Sprintf("beltwarden lot end %d --reason TEXT", m.lot.ID)}
	}
	if len(q.Plans) == 0 || len(q.Plans) != len(q.Good) {
		return &Refusal{What: what, Why: fmt.Sprintf("it has %d jobs and %d counts", len(q.Plans), len(q.Good)), Remedy: "give one count, or one for each job"}
	}
	if err := m.checkSpace(what); err != nil {
		return err
	}
	l := ledger.Lot{ID: m.book.Next.Lot, Name: q.Name, Status: ledger.LotOpen, Order: q.Order, Particulars: q.Particulars}
	if l.Order == "" {
		l.Order = ledger.OrderBlocks
	}
	if l.Order != ledger.OrderBlocks && l.Order != ledger.OrderTurn {
		return &Refusal{What: what, Why: fmt.Sprintf("order %q is not known", l.Order), Remedy: `use "blocks" or "turn"`}
	}
	for i, p := range q.Plans {
		if q.Good[i] < 1 || q.Good[i] > 1_000_000 {
			return &Refusal{What: what, Why: fmt.Sprintf("%d good parts are ordered of %s", q.Good[i], p.Path), Remedy: "order 1 to 1000000"}
		}
		if err := m.checkPlan(p); err != nil {
			return err
		}
		m.addJob(&l, p, q.Plans, q.Good[i])
	}
	if wrong := sizeFaults(q.Sizes, len(q.Plans)); len(wrong) > 0 {
		return &Refusal{What: what, Why: strings.Join(wrong, "; "), Remedy: "give the part's length along the belt and its tolerance"}
	}
	if wrong := wrongParticulars(l.Particulars); len(wrong) > 0 {
		return &Refusal{What: what, Why: strings.Join(wrong, "; "), Remedy: fmt.Sprintf("write each in one line of %d characters at most", mostParticular)}
	}
	if l.Name == "" {
		l.Name = l.Jobs[0].Name
	}
	m.record(ledger.LotOpened{Lot: l})
	m.lot = &lot{Lot: m.book.Lot, plans: q.Plans, leadInDone: map[int]bool{}, filamentMM: m.belt.latest.FilamentMM}
	for i, o := range q.Sizes {
		if o.LengthMM > 0 {
			m.record(ledger.SizeOrdered{LotID: l.ID, JobIndex: i, LengthMM: o.LengthMM, ToleranceMM: o.ToleranceMM})
		}
	}
	m.note("lot", fmt.Sprintf("lot %d opened by %s: %s", l.ID, who(r.By), m.lot.describe()))
	m.out.Result.LotID = l.ID
	m.out.Result.Text = fmt.Sprintf("lot %d: %s", l.ID, m.lot.describe())
	m.orderArticle(q, r.By)
	if q.Start {
		m.startAfterReset = m.state == Stopped || m.state == Complete || m.state == Resetting
		switch m.state {
		case Stopped, Complete:
			m.change(Reset, Cause{CauseOperator, "a lot was started by " + who(r.By)})
		case Idle:
			if err := m.checkStart(r); err != nil {
				m.out.Result.Text = fmt.Sprintf("lot %d is open, but did not begin: %v", l.ID, err)
				return nil
			}
			m.change(Start, Cause{CauseOperator, "a lot was started by " + who(r.By)})
		case Resetting:
		default:
			m.out.Result.Text += fmt.Sprintf("; it is open, but cannot begin while the machine is %s", m.state)
		}
	}
	return nil
}

// mostParticular is how many characters a report has room for.
const mostParticular = 100

// wrongParticulars says which texts do not fit in a line of a report.
func wrongParticulars(p ledger.Particulars) (wrong []string) {
	for _, t := range [][2]string{{"order number", p.OrderNumber}, {"material", p.Material}, {"material batch", p.MaterialBatch}} {
		switch {
		case utf8.RuneCountInString(t[1]) > mostParticular:
			wrong = append(wrong, fmt.Sprintf("the %s has %d characters", t[0], utf8.RuneCountInString(t[1])))
		case strings.ContainsFunc(t[1], unicode.IsControl) || !utf8.ValidString(t[1]):
			wrong = append(wrong, "the "+t[0]+" holds characters that do not print")
		}
	}
	return wrong
}

// addJob adds one job to a lot, with every change made to it.
func (m *Machine) addJob(l *ledger.Lot, p *job.Plan, plans []*job.Plan, good int) {
	i := len(l.Jobs)
	run, waits := m.plannedRun(p)
	l.Jobs = append(l.Jobs, ledger.LotJob{Index: i, Path: p.Path, SHA256: p.SHA256,
		Name:        strings.TrimSuffix(filepath.Base(p.Path), filepath.Ext(p.Path)),
		GoodOrdered: good, FilamentMMPerCycle: p.FilamentMM,
		BeltTravelMMPerCycle: p.BeltTravelMM + m.dischargeMM(p), PitchMM: p.PitchMM,
		PlannedRun: run, PlannedWaits: waits})
	alter := func(kind string, list []job.Change) {
		for _, c := range list {
			l.Alterations = append(l.Alterations, ledger.Alteration{JobIndex: i, Kind: kind, Line: int(c.Line), Text: c.Text, Why: c.Why})
		}
	}
	alter(ledger.Withheld, p.Withheld)
	alter(ledger.Added, p.Added)
	alter(ledger.Added, m.additions(p, plans))
}

// checkPlan refuses a job that the machine must not run.
func (m *Machine) checkPlan(p *job.Plan) error {
	var bad []string
	for _, f := range p.Findings {
		if f.Severity == job.Error {
			bad = append(bad, fmt.Sprintf("line %d: %s; %s", f.Line, f.Text, f.Remedy))
		}
	}
	if len(bad) > 0 {
		return &Refusal{What: "start the lot", Why: p.Path + ": " + strings.Join(bad, "; ")}
	}
	return nil
}

// endLot gives up an order that is not fulfilled, or closes one that is.
func (m *Machine) endLot(r Request) error {
	if m.lot == nil || m.lot.Status == ledger.LotClosed || m.lot.Status == ledger.LotEnded {
		return &Refusal{What: "end the lot", Why: "this lot has already ended"}
	}
	switch m.state {
	case Idle, Stopped, Complete, Aborted, Resetting:
	default:
		return &Refusal{What: "end the lot", Why: fmt.Sprintf("the machine is %s", m.state), Remedy: "stop it first"}
	}
	m.settleOpenCycle(-1, true) // the board was never reached again to be queried
	status := ledger.LotEnded
	if m.lot.Fulfilled() {
		status = ledger.LotClosed
	}
	m.setLotStatus(status, "ended by "+who(r.By)+remark(r.Override))
	m.startAfterReset = false
	m.out.Result.LotID = m.lot.ID
	m.out.Result.Text = fmt.Sprintf("lot %d is %s", m.lot.ID, status)
	return nil
}

// setLotStatus records a change of the lot's status, once.
func (m *Machine) setLotStatus(status, why string) {
	if m.lot.Status == status {
		return
	}
	m.record(ledger.LotChanged{LotID: m.lot.ID, Status: status, Reason: why})
}

// enterComplete ends a lot whose cycles are all made; the operator counts the parts.
func (m *Machine) enterComplete() {
	m.recordBeltAtRest() // the advance over the drop edge is included
	l := m.lot
	switch {
	case l.Fulfilled():
		m.setLotStatus(ledger.LotClosed, "all ordered parts are good")
	case l.Wanted() == 0:
		m.setLotStatus(ledger.LotMade, "all parts are made; count them")
	}
	text := fmt.Sprintf("lot %d (%s), %s", l.ID, l.Name, l.Total())
	m.cause = Cause{CauseDone, text}
	m.alert(CauseDone, text)
}

func (l *lot) describe() string {
	var parts []string
	for i, j := range l.Jobs {
		parts = append(parts, fmt.Sprintf("%d good of %s", l.Counts[i].Ordered, j.Name))
	}
	return strings.Join(parts, ", ")
}

// who returns the name of whoever made a request.
func who(by string) string {
	if by == "" {
		return "the operator"
	}
	return by
}

// remark formats an optional remark for the end of a sentence.
func remark(text string) string {
	if text == "" {
		return ""
	}
	return ": " + text
}

// sizeFaults lists sizes that cannot be ordered.
func sizeFaults(sizes []book.SizeOrder, jobs int) []string {
	if len(sizes) == 0 {
		return nil
	}
	if len(sizes) != jobs {
		return []string{fmt.Sprintf("%d sizes are ordered for %d jobs", len(sizes), jobs)}
	}
	var wrong []string
	for i, o := range sizes {
		if o == (book.SizeOrder{}) {
			continue
		}
		if !(o.LengthMM > 0 && o.LengthMM <= 10000) || !(o.ToleranceMM > 0 && o.ToleranceMM < o.LengthMM) {
			wrong = append(wrong, fmt.Sprintf("a length of %g +/- %g mm cannot be ordered of job %d", o.LengthMM, o.ToleranceMM, i+1))
		}
	}
	return wrong
}
