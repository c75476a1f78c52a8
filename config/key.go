package config

import (
	"slices"
	"strings"
)

// key describes one setting: where it stands in the file, where it goes, and
// what it may be.
type key struct {
	group, name string
	// at returns a pointer to the setting: *string, *int, *float64, *bool,
	// *time.Duration, *Axis, *[]Axis, *Range, *[]HeadStep, *[]NamedWord, or a list of receivers.
	at       func(*Settings) any
	unit     unit // of numbers and durations
	min, max float64
	zeroOff  bool     // 0 is allowed too, and switches something off
	required bool     // must be written, since no default would be safe
	choices  []string // the only texts allowed
	// rule checks a text; an empty problem accepts it.
	rule      func(string) (problem, remedy string)
	low, high string // remedy when the value is outside, if there is a better one
}

// path returns the dotted name.
func (k *key) path() string { return k.group + "." + k.name }

// groupNames are the groups in the order of the example.
var groupNames = []string{"machine", "belt", "discharge", "hold", "heat", "fault", "job", "motion", "costs", "report", "ledger", "server", "alerts", "log"}

// findKey returns the key of a dotted path, or nil.
func findKey(path string) *key {
	for i := range keys {
		if keys[i].path() == path {
			return &keys[i]
		}
	}
	return nil
}

// keyNames returns the keys of a group.
func keyNames(group string) []string {
	var out []string
	for i := range keys {
		if keys[i].group == group {
			out = append(out, keys[i].name)
		}
	}
	return out
}

// suggest returns what to do about a key that the group does not have.
func suggest(group, name string) string {
	for i := range keys {
		if keys[i].name == name {
			return "it belongs under " + keys[i].group + ":"
		}
	}
	for _, known := range keyNames(group) {
		if withoutUnit(known) == withoutUnit(name) {
			return "the key is called " + known + "; its unit is " + findKey(group+"."+known).unit.name
		}
	}
	if near := nearest(name, keyNames(group)); near != "" {
		return "did you mean " + near + "?"
	}
	for _, other := range groupNames {
		if near := nearest(name, keyNames(other)); near != "" {
			return "did you mean " + near + " under " + other + ":?"
		}
	}
	return group + ": has " + strings.Join(keyNames(group), ", ")
}

// suggestGroup returns what to do about a group that does not exist.
func suggestGroup(name string) string {
	for i := range keys {
		if keys[i].name == name {
			return "it belongs under " + keys[i].group + ":"
		}
	}
	if near := nearest(name, groupNames); near != "" {
		return "did you mean " + near + ":?"
	}
	return "the groups are " + strings.Join(groupNames, ", ")
}

// withoutUnit returns a key without the unit at its end.
func withoutUnit(name string) string {
	for _, tail := range []string{"_per_kg", "_per_kwh", "_per_hour", "_mm_per_min", "_mm_per_s2", "_mm_per_s", "_mm_per_m", "_per_mm", "_g_per_cm3", "_mm", "_cm", "_m",
		"_seconds", "_minutes", "_hours", "_days", "_min", "_ms", "_s", "_h", "_d", "_c", "_bytes"} {
		if short, found := strings.CutSuffix(name, tail); found {
			return short
		}
	}
	return name
}

// nearest returns the candidate that a typist is most likely to have meant, or
// nothing when none is close.
func nearest(name string, candidates []string) string {
	if len(name) > 64 {
		return ""
	}
	best, least := "", 2+len(name)/5
	for _, c := range candidates {
		if d := distance(strings.ToLower(name), c); d < least {
			best, least = c, d
		}
	}
	return best
}

// distance returns the number of letters to insert, delete, replace or swap with
// their neighbour to turn a into b (optimal string alignment).
func distance(a, b string) int {
	before, above := []int(nil), make([]int, len(b)+1)
	for j := range above {
		above[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = slices.Min([]int{above[j] + 1, row[j-1] + 1, above[j-1] + cost})
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, above = above, row
	}
	return above[len(b)]
}
