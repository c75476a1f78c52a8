package supervisor

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"beltwarden/supervisor/ledger"
)

// SurfaceView is the belt's surface since it was made anew.
type SurfaceView struct {
	How      string    `json:"how"` // cleaned or taped
	At       time.Time `json:"at"`
	TravelMM float64   `json:"travel_mm"` // belt travel since
}

// surfaces are the ways in which a belt's surface is made anew.
var surfaces = []string{"cleaned", "taped"}

// longestMin bounds how long after its begin a part can come off: a week.
const longestMin = 7 * 24 * 60

// counted returns the visit with the parts that came off among the scrap.
func (v *Visit) counted() *Visit {
	if _, given := v.Scrap[ledger.Detached]; given || len(v.DetachedMin) == 0 {
		return v
	}
	w := *v
	w.Scrap = map[string]int{ledger.Detached: len(v.DetachedMin)}
	maps.Copy(w.Scrap, v.Scrap)
	return &w
}

// detachedAfter is how long after their begin parts came off.
func (v *Visit) detachedAfter() (after []time.Duration) {
	for _, min := range v.DetachedMin {
		after = append(after, time.Duration(min*float64(time.Minute)).Round(time.Millisecond))
	}
	return after
}

// wrongSurface lists what cannot be so of the surface and the parts that came off it.
func (m *Machine) wrongSurface(v *Visit) []Fault {
	var wrong []Fault
	say := func(is bool, field, format string, a ...any) {
		if is {
			wrong = append(wrong, Fault{field, fmt.Sprintf(format, a...)})
		}
	}
	for _, min := range v.DetachedMin {
		say(!(min >= 0.01 && min <= longestMin), "detached_min", "a part cannot come off %g minutes after it began", min)
	}
	say(len(v.DetachedMin) > v.Scrap[ledger.Detached], "detached_min", "%d parts have a time at which they came off, but %d are counted as %s",
		len(v.DetachedMin), v.Scrap[ledger.Detached], ledger.Detached)
	say(v.Surface != "" && !slices.Contains(surfaces, v.Surface), "surface", "a new surface is one of %q, not %q", surfaces, v.Surface)
	say(v.Surface != "" && m.running() && m.state != Held && m.state != Suspended, "surface", "the surface cannot be recorded as new while the machine is %s", m.state)
	return wrong
}

// renewed notes that the belt's surface was made anew.
func (m *Machine) renewed(how, by string, out *Output) {
	r := ledger.SurfaceRenewed{How: how, TravelMM: m.belt.base.TravelMM, By: by}
	out.record(r)
	r.Stamp.At = m.now
	m.surface = &r
}

// surfaceView is the surface for the snapshot.
func (m *Machine) surfaceView() *SurfaceView {
	s := m.surface
	if s == nil {
		return nil
	}
	return &SurfaceView{How: s.How, At: s.Stamp.At, TravelMM: math.Max(0, m.belt.base.TravelMM-s.TravelMM)}
}
