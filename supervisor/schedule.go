package supervisor

import (
	"slices"
	"time"
)

// mostVisits is how many visits a schedule foresees.
const mostVisits = 12

// closeShare: visits within this share of the way to the nearer one are proposed as
// one, since the check that it asks for begins every interval anew.
const closeShare = 0.15

// schedule foresees the visits for the rest of the lot, the next one first: what the
// rules ask for, each check beginning the intervals anew, and the end of the lot, the last.
func (m *Machine) schedule() []NextVisit {
	due := m.due()
	every := make([]int, len(due)) // parts from one visit to the next
	for i := range due {
		every[i] = due[i].interval(m)
	}
	left, done := m.lot.wanted(), 0
	var list []NextVisit
	for len(list) < mostVisits {
		first := -1
		for i := range due {
			if first < 0 || due[i].parts < due[first].parts {
				first = i
			}
		}
		if first < 0 || done+due[first].parts >= left {
			break
		}
		n := due[first]
		v, at := NextVisit{Reason: n.Code, Text: n.why}, n.parts
		for i := range due {
			near := i == first || float64(due[i].parts) <= float64(at)*(1+closeShare)+1
			if near && i != first {
				v.Also = append(v.Also, due[i].Code)
			}
			if near || due[i].Ends == EndsByCheck {
				due[i].parts = every[i] // any visit is a check, but fills no spool by itself
			} else {
				due[i].parts -= at
			}
		}
		done += at
		v.Parts = done
		list = append(list, m.timed(v))
	}
	return append(list, m.timed(NextVisit{Reason: CauseDone, Parts: left, Text: "all parts of the lot are made"}))
}

// foreseen is what is to come, as it was reckoned last.
type foreseen struct {
	at     time.Time     // it was; zero: it is to be reckoned anew
	takes  time.Duration // of the next part
	visits []NextVisit   // nil while no lot is in work
	ready  *ReadyView
	care   []CareView
}

// foreseenFor is how long that is shown while nothing is recorded: a board replies many times a second, and
// what is to come moves by seconds.
const foreseenFor = time.Second

// foresee returns what is to come, for a picture of the machine.
func (m *Machine) foresee() *foreseen {
	f := &m.foreseen
	if !f.at.IsZero() && m.now.Sub(f.at).Abs() < foreseenFor && (f.visits == nil || m.now.Before(f.visits[0].Early)) {
		return f // and nothing of it is past
	}
	*f = foreseen{at: m.now, takes: m.nextDuration(), care: m.careViews()}
	if m.lot != nil && m.running() {
		f.visits = m.schedule()
		f.ready = m.ready(f.visits)
	}
	return f
}

// timed completes a visit after so many parts by belt, clock and what to bring.
func (m *Machine) timed(v NextVisit) NextVisit {
	v.MM = float64(v.Parts) * m.nextTravelMM()
	v.Early, v.At, v.Late, v.Unseen = m.after(v.Parts)
	for _, reason := range append([]string{v.Reason}, v.Also...) {
		things := bringAtEnd
		if n, ok := NeedOf(reason); ok {
			things = n.Bring
		}
		for _, thing := range things {
			if !slices.Contains(v.Bring, thing) {
				v.Bring = append(v.Bring, thing)
			}
		}
	}
	return v
}

// bringAtEnd is what the end of a lot takes.
var bringAtEnd = []string{"box for the parts", "caliper"}
