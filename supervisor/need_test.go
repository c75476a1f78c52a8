package supervisor

import (
	"testing"
	"time"
)

// TestNeeds: every need has all the texts that are shown, and no two have the same code.
func TestNeeds(t *testing.T) {
	seen := map[string]bool{}
	for _, n := range Needs() {
		if n.Code == "" || n.Name == "" || n.Headline == "" || n.Do == "" || n.Remedy == "" || n.due == nil {
			t.Errorf("%+v: something is missing", n)
		}
		if seen[n.Code] {
			t.Errorf("%s stands twice", n.Code)
		}
		seen[n.Code] = true
		if n.Ends != EndsUnrecorded && len(n.Bring) == 0 {
			t.Errorf("%s: a visit ends it, and nothing is brought", n.Code)
		}
	}
}

// TestWaitsAreThoseThatAVisitEnds: the machine learns how long it waited until somebody came for each
// need that somebody ends, and for none that time ends.
func TestWaitsAreThoseThatAVisitEnds(t *testing.T) {
	for _, n := range Needs() {
		var m Machine
		m.addWait(n.Code, time.Minute)
		if want := n.Ends != EndsUnrecorded; (len(m.waits) == 1) != want {
			t.Errorf("%s: remembered %v, want %v", n.Code, m.waits, want)
		}
	}
	var m Machine
	if m.addWait(CauseOperator, time.Minute); len(m.waits) != 0 {
		t.Errorf("a hold by hand: %v", m.waits)
	}
}
