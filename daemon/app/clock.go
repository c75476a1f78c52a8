package app

import (
	"runtime/debug"
	"time"
)

// oldest is before the first version of this program.
var oldest = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// clockFloor is a time that has gone by: no clock is right that shows an earlier one. It is when the program's newest
// change was made, less a day for clocks that differ.
func clockFloor() time.Time {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return oldest
	}
	for _, s := range info.Settings {
		if s.Key != "vcs.time" {
			continue
		}
		if made, err := time.Parse(time.RFC3339, s.Value); err == nil && made.After(oldest) {
			return made.Add(-24 * time.Hour)
		}
	}
	return oldest
}
