package supervisor

import (
	"fmt"
	"strings"

	"beltwarden/serialio"
)

// foundHotC is a temperature that no room explains, and at which skin burns (common
// practice, no source).
const foundHotC = 60

// foundHot judges the first reading of a board with which no lot is at work: heaters that are
// on were switched on by somebody else, or left on by what went before. They are being
// switched off; that they are is to be shown by falling readings, and somebody is told.
func (m *Machine) foundHot(t serialio.Temps) {
	if m.state != Resetting && m.state != Stopped || m.link.read || !t.HasNozzle && !t.HasBed {
		return
	}
	m.link.read = true
	var on, warm []string
	look := func(name string, c float64, target float64) {
		switch {
		case target > 0:
			on = append(on, fmt.Sprintf("%s at %.0f °C, target %.0f °C", name, c, target))
		case c >= foundHotC:
			warm = append(warm, fmt.Sprintf("%s at %.0f °C", name, c))
		}
	}
	if t.HasNozzle {
		look("nozzle", t.NozzleC, t.NozzleTargetC)
	}
	if t.HasBed {
		look("bed", t.BedC, t.BedTargetC)
	}
	switch {
	case len(on) > 0:
		text := "the board was found with a heater on and no lot running: " + strings.Join(append(on, warm...), ", ") + "; it is switched off"
		m.note("heat", text)
		m.alert(CauseHeat, text)
		m.beginProof()
	case len(warm) > 0:
		m.note("heat", "the board was found hot: "+strings.Join(warm, ", "))
		m.beginProof()
	}
}
