package quality

import "slices"

// Broken takes a value into runs and says whether it completes one of the rules.
func Broken(r *Runs, v float64, l Limits, rules []Rule) bool {
	for rule := range r.observe(v, l) {
		if slices.Contains(rules, rule) {
			return true
		}
	}
	return false
}
