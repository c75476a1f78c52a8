package main

import (
	"fmt"
	"path/filepath"

	"beltwarden/daemon/picture"
)

// drawSizes draws the control chart: sizes in their order, the limits, and a ring
// round each value with a signal.
func drawSizes(f chartFlags, values []float64, s *sizeChart) string {
	var signals []int
	for _, g := range s.Signals {
		signals = append(signals, int(g.Index))
	}
	p := picture.Sizes(values, 1, &picture.Limits{Lower: s.LCL, Mean: s.Mean, Upper: s.UCL}, signals)
	p.XTitle = "part, in the order of the file"
	name := filepath.Base(f.file)
	note := fmt.Sprintf("%s: mean %.6g, limits %.6g to %.6g, %s.", counted(len(values), "value"), s.Mean, s.LCL, s.UCL, counted(len(s.Signals), "signal"))
	if s.Pp != nil {
		note += fmt.Sprintf(" Pp %.3f, Ppk %.3f for %g +/- %g.", *s.Pp, *s.Ppk, f.nominal, f.tolerance)
	}
	return picture.Diagram("Sizes in "+name, "Control chart of "+name, note, p).Standalone()
}
