package supervisor

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// visit records what the operator found and did. It reports everything that is wrong with it at once,
// and then records nothing.
func (m *Machine) visit(r Request) error {
	v := r.Visit.withDetachedScrap()
	if wrong := m.visitFaults(v); len(wrong) > 0 {
		return refuseVisit("record the check", wrong, false)
	}
	at := belt.Reading{TravelMM: m.belt.base.TravelMM, AdvanceMM: m.belt.base.AdvanceMM}
	if v.OffsetMM != nil { // as found, so it belongs to the travel so far
		at.OffsetMM = *v.OffsetMM
	}
	if odd := m.unlikelyValues(v, append(slices.Clone(m.bed.Readings), at)); len(odd) > 0 {
		return refuseVisit("record the check", odd, true)
	}
	c := ledger.Check{ID: m.book.Next.Check, SetAside: v.setAsideIndexes(), LengthsAccepted: v.AcceptLengths, OffsetMM: v.OffsetMM, LengthsMM: v.LengthsMM, Good: v.Good, Scrap: v.Scrap,
		Realigned: v.Realigned, BeltCleared: v.BeltCleared, SpoolG: v.SpoolG, BinEmptied: v.BinEmptied,
		Note: v.Note, By: r.By, DetachedAfter: v.detachedAfter(), TravelMM: m.belt.base.TravelMM, AdvanceMM: m.belt.base.AdvanceMM}
	if l := m.lot; l != nil {
		k := v.Job
		c.LotID, c.CyclesMade, c.JobIndex = l.ID, l.Made, &k
	}
	m.record(ledger.CheckRecorded{Check: c})
	if v.SeamMM != nil {
		m.record(ledger.SeamSeen{AdvanceMM: m.bed.SeamAtMM(m.belt.position(), *v.SeamMM), By: r.By})
	}
	if v.Surface != "" {
		m.record(ledger.SurfaceRenewed{How: v.Surface, TravelMM: m.belt.base.TravelMM, By: r.By})
	}
	m.did(v, r.By)
	if v.SpoolG != nil {
		m.weighedMM = m.belt.latest.FilamentMM
	}
	if v.Interrupted != "" {
		m.decideInterrupted(c.ID, v)
	}
	m.resetVisitAlert()
	m.belt.resetSince(v.Realigned, v.BeltCleared)
	m.record(ledger.BeltMoved{Belt: m.beltTotals()})
	remarks := ""
	if l := m.lot; l != nil {
		remarks = l.Remarks()
		m.updateLotStatus()
		m.out.Result.LotID = l.ID
		m.out.Result.Text = fmt.Sprintf("check %d recorded; %s", c.ID, l.Total())
	} else {
		m.out.Result.Text = fmt.Sprintf("check %d recorded", c.ID)
	}
	m.out.Result.Text += m.realignText(v) + remarks
	m.out.Result.CheckID = c.ID
	return nil
}

// updateLotStatus closes a lot whose parts were found good, and reopens one whose scrap must be replaced.
func (m *Machine) updateLotStatus() {
	switch l := m.lot; l.Status {
	case ledger.LotOpen, ledger.LotMade:
		switch {
		case l.Fulfilled() && l.Wanted() == 0 && !m.running():
			m.setLotStatus(ledger.LotClosed, "all ordered parts are good")
		case l.Wanted() > 0:
			m.setLotStatus(ledger.LotOpen, "scrap has to be replaced")
		}
	}
}

// running reports whether a lot is in progress.
func (m *Machine) running() bool {
	switch m.state {
	case Starting, Execute, Completing, Holding, Held, Unholding, Suspending, Suspended, Unsuspending:
		return true
	}
	return false
}

// decideInterrupted settles the interrupted parts by the operator's decision.
func (m *Machine) decideInterrupted(check int64, v *Visit) {
	for _, c := range slices.Clone(m.book.Undecided) {
		m.record(ledger.CycleDecided{Seq: c.Seq, Good: v.Interrupted == "good", CheckID: check, Note: v.Note})
	}
}

// largestOffsetMM is beyond any belt's lateral play: a larger reading is a slipped digit or another
// unit.
const largestOffsetMM = 25

// visitFaults lists what is impossible.
func (m *Machine) visitFaults(v *Visit) []Fault {
	var wrong []Fault
	say := func(field, format string, a ...any) { wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)}) }
	if o := v.OffsetMM; o != nil && !(math.Abs(*o) <= largestOffsetMM) {
		say("offset_mm", "an offset of %g mm is not possible on this belt (at most %d mm either way)", *o, largestOffsetMM)
	}
	for _, l := range v.LengthsMM {
		if !(l > 0) || l > 10000 {
			say("lengths_mm", "a length of %g mm is not possible", l)
		}
	}
	wrong = append(wrong, m.lengthFaults(v)...)
	if s := v.SeamMM; s != nil {
		if text := m.seamFault(*s); text != "" {
			say("seam_mm", "%s", text)
		}
	}
	if g := v.SpoolG; g != nil && !(*g >= 0 && *g <= 20000) {
		say("spool_g", "a spool of %g g is not possible", *g)
	}
	scrap := 0
	for reason, n := range v.Scrap {
		if reason == "" || n < 0 || n > 1_000_000 {
			say("scrap", "scrap %q=%d is not possible", reason, n)
		}
		scrap += n
	}
	if v.Good < 0 {
		say("good", "%d good parts are not possible", v.Good)
	}
	switch v.Interrupted {
	case "":
	case "good", "scrap":
		if len(m.book.Undecided) == 0 {
			say("interrupted", "no interrupted part is waiting for a decision")
		}
	default:
		say("interrupted", "an interrupted part is good or scrap, not %q", v.Interrupted)
	}
	if v.BeltCleared && m.running() && m.state != Held && m.state != Suspended {
		say("belt_cleared", "the belt cannot be recorded as cleared while the machine is %s", m.state)
	}
	wrong = append(append(wrong, m.surfaceFaults(v)...), m.careFaults(v)...)
	if v.Corrects != 0 {
		return wrong // its counts are judged together with those that it replaces
	}
	return append(wrong, m.countFaults(v, scrap)...)
}

// countFaults lists claims about more parts than there are.
func (m *Machine) countFaults(v *Visit, scrap int) []Fault {
	switch {
	case m.lot == nil && (v.Good != 0 || scrap != 0):
		return []Fault{{"good", "there is no lot to count parts for"}}
	case m.lot == nil:
		return nil
	case v.Job < 0 || v.Job >= len(m.lot.Counts):
		return []Fault{{"job", fmt.Sprintf("the lot has no job %d", v.Job+1)}}
	}
	if j := m.lot.Counts[v.Job]; v.Good+scrap > j.NotLookedAt() {
		return []Fault{{"good", fmt.Sprintf("%d good and %d scrap are more than the %d parts made and not looked at (%d made, %d good, %d scrap before)",
			v.Good, scrap, j.NotLookedAt(), j.Made, j.Good, j.Scrap)}}
	}
	return nil
}

// longestMin is the longest time from its beginning after which a part can come off: a week.
const longestMin = 7 * 24 * 60

// withDetachedScrap returns the visit with the parts that came off included in the scrap.
func (v *Visit) withDetachedScrap() *Visit {
	if _, given := v.Scrap[ledger.Detached]; given || len(v.DetachedMin) == 0 {
		return v
	}
	w := *v
	w.Scrap = map[string]int{ledger.Detached: len(v.DetachedMin)}
	maps.Copy(w.Scrap, v.Scrap)
	return &w
}

// detachedAfter returns how long after their beginning parts came off.
func (v *Visit) detachedAfter() (after []time.Duration) {
	for _, min := range v.DetachedMin {
		after = append(after, time.Duration(min*float64(time.Minute)).Round(time.Millisecond))
	}
	return after
}

// setAsideIndexes returns what the ledger keeps of lengths set aside.
func (v *Visit) setAsideIndexes() (list []int64) {
	for _, n := range v.SetAside {
		list = append(list, int64(n))
	}
	return list
}

// lengthFaults lists impossible decisions on lengths measured before.
func (m *Machine) lengthFaults(v *Visit) []Fault {
	var wrong []Fault
	say := func(field, format string, a ...any) { wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)}) }
	if len(v.SetAside) == 0 && !v.AcceptLengths {
		return nil
	}
	field := "set_aside"
	if len(v.SetAside) == 0 {
		field = "accept_lengths"
	}
	var chart *quality.Monitor
	if m.lot != nil {
		chart = m.lot.Chart(v.Job)
	}
	if chart == nil {
		say(field, "no length of this job was measured")
		return wrong
	}
	if len(v.LengthsMM) > 0 {
		say("lengths_mm", "record new lengths in a separate check, after setting aside or accepting the earlier ones")
	}
	if strings.TrimSpace(v.Note) == "" {
		say("note", "give the reason in the note when you set lengths aside or accept them")
	}
	trial, err := chart.Copy()
	if err != nil {
		say(field, "%v", err)
		return wrong
	}
	for _, n := range v.SetAside {
		if _, err := trial.SetAside(int64(n)-1, "tried"); err != nil {
			say("set_aside", "%v", err)
		}
	}
	if v.AcceptLengths {
		if err := trial.Accept(); err != nil {
			say("accept_lengths", "%v", err)
		}
	}
	return wrong
}

// A value beyond these looks like a typing error. It is questioned, and accepted if the operator
// confirms it.
const (
	unlikelyOffsetFactor = 3.0 // times the limit: a belt that far out rubs on its guides
	unlikelyLengthFactor = 5.0 // times the lengths of the job's other parts, or a fifth of them
)

// unlikelyValues lists values that are possible but so unlikely that they are questioned. readings are those
// since the realignment, with the visit's own as the newest; nil if it is not the newest.
func (m *Machine) unlikelyValues(v *Visit, readings []belt.Reading) []Fault {
	if v.Sure {
		return nil
	}
	var odd []Fault
	if v.OffsetMM != nil {
		limit := m.set.OffsetLimitMM
		switch {
		case limit > 0 && math.Abs(*v.OffsetMM) > unlikelyOffsetFactor*limit:
			odd = append(odd, Fault{"offset_mm", fmt.Sprintf("an offset of %+g mm is more than %g times the limit of %g mm", *v.OffsetMM, unlikelyOffsetFactor, limit)})
		case len(readings) > 1:
			f := m.bed.Outlook(m.advancePerTravel()).Forecast(readings, readings[len(readings)-1])
			for _, flag := range f.Flagged {
				if flag.Newest {
					odd = append(odd, Fault{"offset_mm", fmt.Sprintf("an offset of %+g mm does not fit the %d readings before it, which predict %+.1f mm",
						flag.OffsetMM, len(readings)-1, flag.ExpectedMM)})
				}
			}
		}
	}
	return append(odd, m.unlikelyLengths(v)...)
}

// unlikelyLengths compares the lengths with those of the job's other parts, and with each other.
func (m *Machine) unlikelyLengths(v *Visit) []Fault {
	var odd []Fault
	usual := 0.0
	if m.lot != nil {
		usual = usualLengthMM(m.lot.Chart(v.Job))
	}
	if m.lot != nil && v.Job >= 0 && v.Job < len(m.lot.Sizes) && usual == 0 {
		usual = m.lot.Sizes[v.Job].LengthMM
	}
	for _, mm := range v.LengthsMM {
		if usual > 0 && (mm > unlikelyLengthFactor*usual || mm < usual/unlikelyLengthFactor) {
			odd = append(odd, Fault{"lengths_mm", fmt.Sprintf("a length of %g mm does not fit the %.1f mm of the job's other parts", mm, usual)})
		}
		if usual == 0 {
			usual = mm
		}
	}
	return odd
}

// usualLengthMM is the mean of the lengths that a chart is based on, 0 if it has none.
func usualLengthMM(c *quality.Monitor) float64 {
	if c == nil {
		return 0
	}
	if c.Phase == quality.Frozen {
		return c.Limits.Mean
	}
	sum, n := 0.0, 0
	for _, l := range c.Learned {
		if l.SetAside == "" {
			sum, n = sum+l.Value, n+1
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

// correct replaces an earlier check. What was found and done comes from the correction; the belt's
// position and what was made by then come from the visit.
func (m *Machine) correct(r Request) error {
	const what = "correct the check"
	v := r.Visit.withDetachedScrap()
	old, by, ok := m.book.Check(v.Corrects)
	switch {
	case by != 0:
		return &Refusal{What: what, Why: fmt.Sprintf("check %d has already been corrected by check %d", v.Corrects, by), Remedy: fmt.Sprintf("correct check %d", by)}
	case !ok:
		return &Refusal{What: what, Why: fmt.Sprintf("there is no check %d", v.Corrects), Remedy: "see the checks of the lot", Command: "beltwarden lot show ID"}
	}
	if wrong := append(m.visitFaults(v), m.correctionFaults(v, old)...); len(wrong) > 0 {
		return refuseVisit(what, wrong, false)
	}
	c := old
	c.ID, c.Corrects, c.Stamp, c.By, c.Note = m.book.Next.Check, old.ID, ledger.Stamp{}, r.By, v.Note
	c.OffsetMM, c.LengthsMM, c.Good, c.Scrap = v.OffsetMM, v.LengthsMM, v.Good, v.Scrap
	c.DetachedAfter = v.detachedAfter()
	c.Realigned, c.SpoolG, c.BinEmptied = v.Realigned, v.SpoolG, v.BinEmptied
	if c.LotID != 0 {
		k := v.Job
		c.JobIndex = &k
	}
	if odd := m.unlikelyValues(v, m.readingsWith(c)); len(odd) > 0 {
		return refuseVisit(what, odd, true)
	}
	m.record(ledger.CheckRecorded{Check: c})
	m.belt.base.SinceRealignMM = m.belt.base.TravelMM - m.bed.RealignedAt.TravelMM
	m.record(ledger.BeltMoved{Belt: m.beltTotals()})
	m.out.Result.CheckID, m.out.Result.LotID = c.ID, c.LotID
	m.out.Result.Text = fmt.Sprintf("check %d replaces all of check %d: now %s; before %s", c.ID, old.ID, checkText(c), checkText(old))
	if m.lot != nil && m.lot.ID == c.LotID {
		m.updateLotStatus()
		m.out.Result.Text += fmt.Sprintf("; lot %d is %s, %s", m.lot.ID, m.lot.Status, m.lot.Total())
	}
	m.note("correction", m.out.Result.Text)
	return nil
}

// readingsWith returns the offsets since the realignment with a correction in place, if its own is the
// newest of them; otherwise nil.
func (m *Machine) readingsWith(c ledger.Check) (readings []belt.Reading) {
	newest := false
	for old := range m.book.Checks() {
		if newest = newest && old.OffsetMM == nil && !old.Realigned; old.ID == c.Corrects {
			old, newest = c, c.OffsetMM != nil && !c.Realigned
		}
		switch {
		case old.Realigned: // its own offset was read before, and belongs to the travel up to there
			readings = nil
		case old.OffsetMM != nil:
			readings = append(readings, reading(old.TravelMM, old.AdvanceMM, *old.OffsetMM))
		}
	}
	if !newest {
		return nil
	}
	return readings
}

// correctionFaults lists what a correction cannot change.
func (m *Machine) correctionFaults(v *Visit, old ledger.Check) []Fault {
	var wrong []Fault
	say := func(is bool, field, format string, a ...any) {
		if is {
			wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)})
		}
	}
	say(v.Interrupted != "", "interrupted", "a correction cannot change the decision on an interrupted part")
	say(v.SeamMM != nil, "seam_mm", "record the seam in a new check")
	say(len(v.SetAside) > 0 || v.AcceptLengths, "set_aside", "record lengths set aside or accepted in a new check")
	say(len(v.Did) > 0, "did", "record care in a new check")
	say(v.Surface != "", "surface", "record a new surface in a new check")
	say(v.BeltCleared && !old.BeltCleared, "belt_cleared", "record a cleared belt in a new check, when you clear it")
	scrap := ledger.Sum(v.Scrap)
	if old.LotID == 0 {
		say(v.Good != 0 || scrap != 0, "good", "check %d belongs to no lot, so there are no parts to count", old.ID)
		return wrong
	}
	left, ok := m.book.Countable(old, v.Job)
	if !ok {
		say(true, "job", "lot %d has no job %d", old.LotID, v.Job+1)
		return wrong
	}
	say(v.Good+scrap > left, "good", "%d good and %d scrap are more than the %d parts made and not counted by other checks", v.Good, scrap, left)
	return wrong
}

// checkText describes what a check reports.
func checkText(c ledger.Check) string {
	words := []string{fmt.Sprintf("%d good", c.Good), fmt.Sprintf("%d scrap", ledger.Sum(c.Scrap))}
	if c.OffsetMM != nil {
		words = append(words, fmt.Sprintf("offset %+.2f mm", *c.OffsetMM))
	}
	for _, mm := range c.LengthsMM {
		words = append(words, fmt.Sprintf("length %.2f mm", mm))
	}
	if c.Realigned {
		words = append(words, "realigned")
	}
	if c.SpoolG != nil {
		words = append(words, fmt.Sprintf("spool %.0f g", *c.SpoolG))
	}
	if c.BinEmptied {
		words = append(words, "bin emptied")
	}
	return strings.Join(words, ", ")
}
