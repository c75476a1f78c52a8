package supervisor

import (
	"fmt"
	"math"
	"strings"
	"time"

	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
)

// Care is something the owner wants done at the machine every so often. Zero means no bound.
type Care struct {
	Name       string
	EveryMM    float64       // of belt travel
	EveryParts int           // made
	EveryWork  time.Duration // of printing: the nozzle is at work then
	Every      time.Duration // by the calendar
}

// CareView is one care in a snapshot.
type CareView struct {
	Name  string    `json:"name"`
	Since time.Time `json:"since"`           // it was last done, or counting began
	Never bool      `json:"never,omitempty"` // it has not been done since counting began
	Parts *int      `json:"parts,omitempty"` // that may begin before it is due, 0: it is due; nil: too many to compute
	Why   string    `json:"why"`
}

var needCare = Need{
	Code: CauseCare, Name: "care", Headline: "care due", Ends: EndsBySupply,
	Do: "Do what is due, and tick it in the visit.", Bring: []string{"what the care needs"},
	Remedy: "do it and record it", Command: "beltwarden check --did NAME",
	due: func(m *Machine) (int, string, bool) {
		least, text, next := math.MaxInt32, "", m.nextPart()
		for _, c := range m.set.Care {
			since, ok := m.book.CareOf(c.Name)
			if !ok {
				continue
			}
			switch parts, why := m.careLeft(c, since, next); {
			case parts < least:
				least, text = parts, why
			case parts == least && parts < math.MaxInt32:
				text += "; " + why
			}
		}
		return least, text, text != ""
	},
	every: func(m *Machine) int {
		least, next := math.MaxInt32, m.nextPart()
		for _, c := range m.set.Care {
			n, _ := m.careLeft(c, book.CareSince{CareDone: ledger.CareDone{TravelMM: m.belt.base.TravelMM, Stamp: ledger.Stamp{At: m.now}}}, next)
			least = min(least, n)
		}
		return least
	},
}

// nextPart is what a part adds to the counts of care.
type nextPart struct {
	mm   float64
	took time.Duration
}

func (m *Machine) nextPart() nextPart { return nextPart{m.nextTravelMM(), m.nextDuration()} }

// careLeft returns how many parts may begin before a care is due, and which of its bounds comes first.
func (m *Machine) careLeft(c Care, since book.CareSince, next nextPart) (parts int, why string) {
	parts = math.MaxInt32
	bound := func(every, ran, part float64, words func(float64) string) {
		if every <= 0 {
			return
		}
		n := math.MaxInt32
		switch left := every - ran; {
		case left <= 0:
			n = 0
		case part > 0:
			n = int(math.Min(math.MaxInt32, math.Floor(left/part+1e-9)))
		}
		if n < parts || why == "" {
			parts, why = n, fmt.Sprintf("%s: due every %s, last done %s ago", c.Name, words(every), words(max(0, ran)))
			if since.Begun {
				why = fmt.Sprintf("%s: due every %s, counted for %s", c.Name, words(every), words(max(0, ran)))
			}
		}
	}
	d := next.took.Hours()
	bound(c.EveryMM/1000, (m.belt.base.TravelMM-since.TravelMM)/1000, next.mm/1000, func(v float64) string { return tenth(v) + " m of belt" })
	bound(float64(c.EveryParts), float64(since.Parts), 1, func(v float64) string { return plural(int(v), "part", "parts") })
	bound(c.EveryWork.Hours(), since.Work.Hours(), d, func(v float64) string { return tenth(v) + " h of work" })
	// Days follow the wall clock, as a person counts them: a clock that was set wrong shifts them, and
	// does nothing worse.
	bound(c.Every.Hours()/24, m.now.Sub(since.Stamp.At).Hours()/24, d/24, func(v float64) string { return tenth(v) + " days" })
	return parts, why
}

// tenth formats a number to a tenth.
func tenth(v float64) string { return number(math.Round(10*v) / 10) }

// careViews lists every care, in the order of the configuration.
func (m *Machine) careViews() (list []CareView) {
	if len(m.set.Care) == 0 {
		return nil
	}
	next := m.nextPart()
	for _, c := range m.set.Care {
		since, ok := m.book.CareOf(c.Name)
		if !ok {
			continue
		}
		v := CareView{Name: c.Name, Since: since.Stamp.At, Never: since.Begun}
		var parts int
		if parts, v.Why = m.careLeft(c, since, next); parts < math.MaxInt32 {
			v.Parts = &parts
		}
		list = append(list, v)
	}
	return list
}

// beginCare begins counting for every care that is new in the configuration.
func (m *Machine) beginCare() {
	for _, c := range m.set.Care {
		if _, ok := m.book.CareOf(c.Name); !ok {
			m.record(ledger.CareDone{Name: c.Name, Begun: true, TravelMM: m.belt.base.TravelMM})
		}
	}
}

// did records the care that a visit has done.
func (m *Machine) did(v *Visit, by string) {
	for _, name := range v.Did {
		m.record(ledger.CareDone{Name: m.careNamed(name), TravelMM: m.belt.base.TravelMM, By: by})
		m.note("care", fmt.Sprintf("%s, by %s", m.careNamed(name), who(by)))
	}
}

// careNamed returns the name in the configuration for what a person entered; "" for none.
func (m *Machine) careNamed(name string) string {
	for _, c := range m.set.Care {
		if strings.EqualFold(c.Name, strings.TrimSpace(name)) {
			return c.Name
		}
	}
	return ""
}

// careFaults lists care that cannot have been done.
func (m *Machine) careFaults(v *Visit) (wrong []Fault) {
	var names []string
	for _, c := range m.set.Care {
		names = append(names, fmt.Sprintf("%q", c.Name))
	}
	for _, name := range v.Did {
		if m.careNamed(name) == "" {
			text := fmt.Sprintf("there is no care named %q", name)
			if len(names) > 0 {
				text += "; there is " + strings.Join(names, ", ")
			} else {
				text += ": the section care of the configuration is empty"
			}
			wrong = append(wrong, Fault{"did", text})
		}
	}
	return wrong
}
