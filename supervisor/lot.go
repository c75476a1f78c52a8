package supervisor

import (
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// lot is the order in work. Its counts mirror the ledger's; the ledger is the
// truth, and is read again at every start.
type lot struct {
	ledger.Lot
	plans   []*job.Plan // nil where the file could not be inspected again
	missing string      // why a plan is missing
	jobs    []jobCount
	begun   int // cycles begun
	made    int // cycles made since the lot began, all jobs
	last    int // job of the newest cycle, -1 before the first
	led     map[int]bool
	warmed  bool // a part was begun since the run started
	seen    cycleSeen

	filamentMM float64 // running total when the newest part was made
}

// jobCount counts the parts of one job of a lot.
type jobCount struct {
	ordered, made, good, scrap, interrupted int

	torn int // interrupted parts decided scrap
}

// cycleSeen is what a cycle has taken, for the forecast.
type cycleSeen struct {
	n        int
	seconds  float64 // sum
	travelMM float64 // sum
	warm     bool    // it is the first after a lead-in, which need not heat up, and stands in for the others
}

// add takes in a cycle. One that began warm counts only until there is another.
func (s *cycleSeen) add(took time.Duration, travelMM float64, warm bool) {
	switch {
	case warm && s.n > 0:
		return
	case s.warm:
		*s = cycleSeen{}
	}
	s.n++
	s.seconds += took.Seconds()
	s.travelMM += travelMM
	s.warm = warm
}

func (l *lot) madeOne(job int) {
	l.jobs[job].made++
	l.made++
}

// unverified is the number of parts made that nobody has looked at yet.
func (j jobCount) unverified() int { return j.made - j.good - j.scrap }

// wanted is the number of cycles still to begin, if all parts are good.
func (j jobCount) wanted() int { return max(0, j.ordered-(j.made-j.scrap)) }

func (l *lot) total() jobCount {
	var t jobCount
	for _, j := range l.jobs {
		t.ordered += j.ordered
		t.made += j.made
		t.good += j.good
		t.scrap += j.scrap
		t.interrupted += j.interrupted
		t.torn += j.torn
	}
	return t
}

// wanted is the number of cycles the lot still needs.
func (l *lot) wanted() int {
	n := 0
	for _, j := range l.jobs {
		n += j.wanted()
	}
	return n
}

// next returns the job of the next cycle, or -1 when nothing is left to make.
func (l *lot) next() int {
	n := len(l.jobs)
	first := 0
	if l.Order == ledger.OrderTurn {
		first = l.last + 1
	}
	for i := range n {
		k := (first + i) % n
		if l.jobs[k].wanted() > 0 {
			return k
		}
	}
	return -1
}

// fulfilled reports whether the operator has seen the ordered good parts.
func (l *lot) fulfilled() bool {
	for _, j := range l.jobs {
		if j.good < j.ordered {
			return false
		}
	}
	return true
}

// openLot takes an order.
func (m *Machine) openLot(r Request, out *Output) error {
	const what = "start the lot"
	q := r.Lot
	if m.lot != nil && (m.lot.Status == ledger.LotOpen || m.lot.Status == ledger.LotMade) {
		t := m.lot.total()
		return &Refusal{what, fmt.Sprintf("lot %d is not finished: %d good, %d not looked at, %d ordered",
			m.lot.ID, t.good, t.unverified(), t.ordered),
			fmt.Sprintf("record a check of its parts, or give it up with: beltwarden lot end %d", m.lot.ID)}
	}
	if len(q.Plans) == 0 || len(q.Plans) != len(q.Good) {
		return &Refusal{what, fmt.Sprintf("it has %d jobs and %d counts", len(q.Plans), len(q.Good)), "give one count, or one for each job"}
	}
	l := &lot{plans: q.Plans, last: -1, led: map[int]bool{}, filamentMM: m.belt.latest.FilamentMM}
	l.Lot = ledger.Lot{ID: m.ids.Lot, Name: q.Name, Status: ledger.LotOpen, Order: q.Order}
	if l.Order == "" {
		l.Order = ledger.OrderBlocks
	}
	if l.Order != ledger.OrderBlocks && l.Order != ledger.OrderTurn {
		return &Refusal{what, fmt.Sprintf("order %q is not known", l.Order), `use "blocks" or "turn"`}
	}
	for i, p := range q.Plans {
		if q.Good[i] < 1 || q.Good[i] > 1_000_000 {
			return &Refusal{what, fmt.Sprintf("%d good parts are ordered of %s", q.Good[i], p.Path), "order 1 to 1000000"}
		}
		if err := m.fits(p); err != nil {
			return err
		}
		l.Jobs = append(l.Jobs, ledger.LotJob{Index: i, Path: p.Path, SHA256: p.SHA256,
			Name:        strings.TrimSuffix(filepath.Base(p.Path), filepath.Ext(p.Path)),
			GoodOrdered: q.Good[i], FilamentMMPerCycle: p.FilamentMM,
			BeltTravelMMPerCycle: p.BeltTravelMM + m.dischargeTravel(p), PitchMM: p.PitchMM})
		l.jobs = append(l.jobs, jobCount{ordered: q.Good[i]})
		for _, c := range p.Withheld {
			l.Alterations = append(l.Alterations, ledger.Alteration{JobIndex: i, Kind: ledger.Withheld, Line: int(c.Line), Text: c.Text, Why: c.Why})
		}
		for _, c := range append(p.Added, m.additions(p)...) {
			l.Alterations = append(l.Alterations, ledger.Alteration{JobIndex: i, Kind: ledger.Added, Line: int(c.Line), Text: c.Text, Why: c.Why})
		}
	}
	if l.Name == "" {
		l.Name = l.Jobs[0].Name
	}
	m.ids.Lot++
	m.lot = l
	out.record(ledger.LotOpened{Lot: l.Lot})
	m.note(out, "lot", fmt.Sprintf("lot %d opened by %s: %s", l.ID, who(r.By), l.describe()))
	out.Result.LotID = l.ID
	out.Result.Text = fmt.Sprintf("lot %d: %s", l.ID, l.describe())
	if q.Start {
		m.afterReset = m.state == Stopped || m.state == Complete || m.state == Resetting
		switch m.state {
		case Stopped, Complete:
			m.change(Reset, Cause{CauseOperator, "a lot was started by " + who(r.By)}, out)
		case Idle:
			if err := m.mayStart(r); err != nil {
				out.Result.Text = fmt.Sprintf("lot %d is open, but did not begin: %v", l.ID, err)
				return nil
			}
			m.change(Start, Cause{CauseOperator, "a lot was started by " + who(r.By)}, out)
		case Resetting:
		default:
			out.Result.Text += fmt.Sprintf("; it is open, but does not begin while the machine is %s", m.state)
		}
	}
	return nil
}

// fits refuses a job that the machine must not run.
func (m *Machine) fits(p *job.Plan) error {
	var bad []string
	for _, f := range p.Findings {
		if f.Severity == job.Error {
			bad = append(bad, fmt.Sprintf("line %d: %s; %s", f.Line, f.Text, f.Remedy))
		}
	}
	if len(bad) > 0 {
		return &Refusal{"start the lot", p.Path + ": " + strings.Join(bad, "; "), ""}
	}
	return nil
}

// endLot gives up an order that is not fulfilled, or closes one that is.
func (m *Machine) endLot(r Request, out *Output) error {
	if m.lot == nil || m.lot.Status == ledger.LotClosed || m.lot.Status == ledger.LotEnded {
		return &Refusal{"end the lot", "no lot is open", ""}
	}
	switch m.state {
	case Idle, Stopped, Complete, Aborted, Resetting:
	default:
		return &Refusal{"end the lot", fmt.Sprintf("the machine is %s", m.state), "stop it first"}
	}
	m.settleOpenCycle(out, -1, true) // the board was never reached again to be asked
	status := ledger.LotEnded
	if m.lot.fulfilled() {
		status = ledger.LotClosed
	}
	m.setLotStatus(out, status, "ended by "+who(r.By)+note(r.Override))
	m.afterReset = false
	m.undecided = nil // they stay interrupted, and count for nothing
	out.Result.LotID = m.lot.ID
	out.Result.Text = fmt.Sprintf("lot %d is %s", m.lot.ID, status)
	return nil
}

// setLotStatus records a change of the lot's status, once.
func (m *Machine) setLotStatus(out *Output, status, why string) {
	if m.lot.Status == status {
		return
	}
	m.lot.Status = status
	out.record(ledger.LotChanged{LotID: m.lot.ID, Status: status, Reason: why})
}

// enterComplete is a lot whose cycles are all made; the operator counts them.
func (m *Machine) enterComplete(out *Output) {
	m.belt.save.clear()
	l := m.lot
	t := l.total()
	switch {
	case l.fulfilled():
		m.setLotStatus(out, ledger.LotClosed, "all ordered parts were found good")
	case l.wanted() == 0:
		m.setLotStatus(out, ledger.LotMade, "all parts are made and wait to be counted")
	}
	text := fmt.Sprintf("lot %d (%s): %d parts made, %d good, %d scrap, %d not looked at, %d ordered",
		l.ID, l.Name, t.made, t.good, t.scrap+t.torn, t.unverified(), t.ordered)
	m.cause = Cause{CauseDone, text}
	m.alert(out, CauseDone, text)
}

func (l *lot) describe() string {
	var parts []string
	for i, j := range l.Jobs {
		parts = append(parts, fmt.Sprintf("%d good of %s", l.jobs[i].ordered, j.Name))
	}
	return strings.Join(parts, ", ")
}

// who names the asker of a request.
func who(by string) string {
	if by == "" {
		return "the operator"
	}
	return by
}

// note formats an optional remark for the end of a sentence.
func note(text string) string {
	if text == "" {
		return ""
	}
	return ": " + text
}
