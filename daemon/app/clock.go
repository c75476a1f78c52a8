package app

import (
	"runtime/debug"
	"time"
)

// firstBuild is before the first version of this program.
var firstBuild = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// builtAfter is a time in the past: a clock that shows an earlier one is wrong. It is when the program's newest
// change was made, less a day for clocks that differ.
func builtAfter() time.Time {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return firstBuild
	}
	for _, s := range info.Settings {
		if s.Key != "vcs.time" {
			continue
		}
		if made, err := time.Parse(time.RFC3339, s.Value); err == nil && made.After(firstBuild) {
			return made.Add(-24 * time.Hour)
		}
	}
	return firstBuild
}
