package main

import (
	"fmt"
	"path/filepath"

	"beltwarden/daemon/picture"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor/quality"
)

// drawSizes draws the control chart of a table.
func drawSizes(f chartFlags, values []float64, s *sizeChart) string {
	v := picture.Sizes{Values: values, First: 1, XTitle: "part, number in the file", YTitle: "size, in the unit of the file",
		Limits: &picture.Limits{Lower: s.LCL, Mean: s.Mean, Upper: s.UCL, Base: [2]int{s.BaseFirst, s.BaseLast}}}
	for _, g := range s.Signals {
		v.Signals = append(v.Signals, g.Signal)
	}
	if f.tolerance > 0 {
		v.Nominal, v.Ordered = f.nominal, &quality.Tolerance{Lower: f.nominal - f.tolerance, Upper: f.nominal + f.tolerance}
	}
	name := filepath.Base(f.file)
	note := fmt.Sprintf("%s: mean %.6g, limits %.6g to %.6g, %s.", wording.Count(len(values), "value"), s.Mean, s.LCL, s.UCL, wording.Count(len(s.Signals), "signal"))
	for _, line := range v.Describe("") {
		note += " " + line + "."
	}
	if s.Pp != nil {
		note += fmt.Sprintf(" Pp %.3f, Ppk %.3f for %g +/- %g.", *s.Pp, *s.Ppk, f.nominal, f.tolerance)
	}
	return picture.Diagram("Sizes in "+name, "Control chart of "+name, note, v.Plot()).Standalone()
}
