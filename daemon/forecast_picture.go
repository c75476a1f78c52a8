package main

import (
	"path/filepath"

	"beltwarden/daemon/picture"
	"beltwarden/supervisor/belt"
)

// drawForecast draws the checks, the line and the 95 % band up to where the limit is
// reached, or as far again as was watched.
func drawForecast(f forecastFlags, o belt.Outlook, readings []belt.Reading, now belt.Reading, r *driftForecast) string {
	name := filepath.Base(f.file)
	note := ""
	for _, l := range r.lines(f) {
		note += l + ". "
	}
	return picture.Diagram("Lateral offset, from "+name, "Lateral offset of the belt, from "+name, note, picture.Drift(o, readings, now, &r.Forecast, 0)).Standalone()
}
