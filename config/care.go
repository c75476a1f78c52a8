package config

import (
	"strings"

	"gopkg.in/yaml.v3"
)

// Bounds on hold.care.
const (
	maxCare     = 20
	maxCareName = 60
)

// careList reads hold.care: what the owner wants done every so often.
func (r *reader) careList(k *key, n *yaml.Node, to *[]Care) {
	of := listOf{"thing to do", "things to do", maxCare, "name at most", "", "{name: wipe the belt, every_m: 200}"}
	first := map[string]int{}
	r.items(n, k.path(), of, func(item *yaml.Node, at string) {
		var c Care
		r.item(item, at, []field{
			r.textField("name", "write in a few words what is to be done", "write in a few words what is to be done", careName, &c.Name),
			r.floatField("every_m", metre, 1, 1e6, &c.EveryM),
			r.intField("every_parts", parts, 1, 1000000, &c.EveryParts),
			r.floatField("every_hours", hour, 0.1, 100000, &c.EveryHours),
			r.floatField("every_days", days, 0.1, 3650, &c.EveryDays),
		})
		lower := strings.ToLower(c.Name)
		if line, twice := first[lower]; twice && lower != "" {
			r.at(item, at, "has the same name as line "+itoa(line), "give each its own name")
		}
		first[lower] = item.Line
		if c.Name != "" && c == (Care{Name: c.Name}) {
			r.at(item, at, "does not say how often", "write every_m, every_parts, every_hours or every_days")
		}
		*to = append(*to, c)
	})
}

// careName accepts the name of a care item.
func careName(s string) (problem, remedy string) {
	switch {
	case strings.TrimSpace(s) != s || s == "":
		return "is empty, or has blanks around it", "write in a few words what is to be done"
	case len(s) > maxCareName:
		return "is too long", "write at most " + itoa(maxCareName) + " letters"
	case strings.ContainsFunc(s, func(r rune) bool { return r < ' ' }):
		return "has a line break in it", "write it in one line"
	}
	return "", ""
}
