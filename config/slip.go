package config

import (
	"strings"
	"unicode/utf8"

	"gopkg.in/yaml.v3"
)

// typesetMarks are characters that text copied from a web page or a letter brings along.
var typesetMarks = []struct{ marks, name, remedy string }{
	{"\u201c\u201d\u201e\u2018\u2019\u201a\u00ab\u00bb", "typographic quotation marks", "write the plain one of the keyboard (\") or none"},
	{"\u2212\u2013\u2014", "a typographic minus sign", "write the plain one of the keyboard (-)"},
}

// checkTypeset reports a value that begins with a typographic character: it looks right and is not.
func (r *reader) checkTypeset(n *yaml.Node, field string) bool {
	if n.Kind != yaml.ScalarNode {
		return false
	}
	first, _ := utf8.DecodeRuneInString(strings.TrimSpace(n.Value))
	for _, t := range typesetMarks {
		if first != utf8.RuneError && strings.ContainsRune(t.marks, first) {
			r.at(n, field, "begins with "+t.name, t.remedy)
			return true
		}
	}
	return false
}

// likelyUnits are the units that a value was probably meant in when it is too large in the key's own.
var likelyUnits = map[string][]unit{
	"s":   {{"ms", "time", 0.001}},
	"min": {{"s", "time", 1}},
}

// otherUnit converts a value that is out of range from a unit in which it would be in range: "900 s are 15".
func (k *key) otherUnit(v float64) string {
	within := func(v float64) bool { return v >= k.min && v <= k.max }
	if v > k.max {
		for _, u := range likelyUnits[k.unit.name] {
			if in := v * u.size / k.unit.size; within(in) {
				return "the unit is " + k.unit.name + ": " + plain(v) + " " + u.name + " are " + plain(in)
			}
		}
	}
	if c := fromFahrenheit(v); k.unit == celsius && v > k.max && within(c) {
		return "the unit is degrees Celsius: " + plain(v) + " F are " + plain(c)
	}
	return ""
}

// fromFahrenheit rounds to whole degrees, as temperatures of a printer are written.
func fromFahrenheit(f float64) float64 { return float64(int((f-32)/1.8 + 0.5)) }

// looksAssigned reports whether text in place of a group is a setting written as in another kind
// of file, such as name=value.
func looksAssigned(text string) bool {
	name, _, found := strings.Cut(text, "=")
	if !found {
		name, _, found = strings.Cut(text, ":")
	}
	name = strings.TrimSpace(name)
	return found && name != "" && !strings.ContainsAny(name, " /")
}
