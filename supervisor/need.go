package supervisor

import (
	"math"
	"slices"
)

// Need is a reason why somebody must be at the machine before another part begins, or why the machine
// must wait. Everything that depends on the reason is here: what is held, suspended, refused,
// foreseen, shown, brought, alerted and counted by reason derives from [Needs]. A new need is a value
// in a file of its own and a line in the list.
type Need struct {
	Code     string // in ledger, metrics and API
	Name     string // in one or two words
	Headline string // of an alert
	Ends     Ends
	Do       string   // the first step at the machine
	Remedy   string   // what to do
	Command  string   // that records it; "" for none
	Bring    []string // to a visit

	// due returns how many more parts may begin before it, 0 for none, and why; false if it is not
	// watched. A lot is open.
	due func(m *Machine) (parts int, why string, ok bool)
	// every is how many parts a visit allows until the next one; nil if that is unknown.
	every func(m *Machine) int
	// again are all parts after which it is due, for one that does not return at an interval; each is
	// assumed to have ended when it was due. nil: every says it.
	again func(m *Machine) []int
}

// Ends is what ends a need.
type Ends int

const (
	EndsByCheck    Ends = iota // a check: the machine holds until one is recorded
	EndsBySupply               // something brought, which a visit records: the machine is suspended
	EndsUnrecorded             // nothing that a visit records: suspended too
)

// needs lists all needs, in the order of evaluation.
var needs = []Need{
	needFirstArticle, needCheckParts, needCheckTravel, needCheckTime, needSize, needOffset,
	needFilament, needBin, needCare, needAttended, needDisk,
}

// Needs returns all needs, in the order of evaluation.
func Needs() []Need { return slices.Clone(needs) }

// NeedOf returns the need with a code; false if the cause is not a need.
func NeedOf(code string) (Need, bool) {
	i := slices.IndexFunc(needs, func(n Need) bool { return n.Code == code })
	if i < 0 {
		return Need{}, false
	}
	return needs[i], true
}

// byCheck reports whether a hold for that reason ends by a check.
func byCheck(reason string) bool {
	n, ok := NeedOf(reason)
	return ok && n.Ends == EndsByCheck
}

// dueNeed is a need at this moment.
type dueNeed struct {
	*Need
	parts int // that may begin before
	why   string
}

// due lists the needs that are watched, in the order of the list.
func (m *Machine) due() (list []dueNeed) {
	if m.lot == nil {
		return nil
	}
	for i := range needs {
		if parts, why, ok := needs[i].due(m); ok {
			list = append(list, dueNeed{&needs[i], parts, why})
		}
	}
	return list
}

// dueNow returns the first need for which no part may begin, among those that end by a check or among
// the others.
func (m *Machine) dueNow(byCheck bool) (Cause, bool) {
	if m.lot == nil {
		return Cause{}, false
	}
	for i := range needs {
		n := &needs[i]
		if (n.Ends == EndsByCheck) != byCheck {
			continue
		}
		if parts, why, ok := n.due(m); ok && parts <= 0 {
			return Cause{n.Code, why}, true
		}
	}
	return Cause{}, false
}

// dueHold reports whether a check is due before the next part, and why.
func (m *Machine) dueHold() (Cause, bool) { return m.dueNow(true) }

// dueSuspend reports whether the machine must wait for something from outside, and why.
func (m *Machine) dueSuspend() (Cause, bool) {
	if m.lot != nil && m.lot.Begun < m.supplyOverrideTo {
		return Cause{}, false // the operator allows this many to begin, with a reason
	}
	return m.dueNow(false)
}

// interval is how many parts a visit allows.
func (n *Need) interval(m *Machine) int {
	if n.every == nil {
		return math.MaxInt32
	}
	return max(1, n.every(m))
}

// rhythm returns in how many parts a need is due again, once a visit after done more parts has ended it.
func (n *Need) rhythm(m *Machine) func(done int) int {
	if n.again == nil {
		every := n.interval(m)
		return func(int) int { return every }
	}
	list := n.again(m)
	return func(done int) int {
		for _, at := range list {
			if at > done {
				return at - done
			}
		}
		return math.MaxInt32
	}
}

// partsWithin is how many parts fit into the remaining belt travel. A part longer than the interval is
// made once between checks.
func (m *Machine) partsWithin(leftMM float64) int {
	per := m.nextTravelMM()
	if per <= 0 {
		return math.MaxInt32
	}
	n := int(math.Min(math.MaxInt32, math.Floor(leftMM/per+1e-9)))
	if n < 1 && m.book.Since.Parts == 0 {
		return 1
	}
	return max(0, n)
}
