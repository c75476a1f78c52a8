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

// NewAverage begins an average at the target, as NewMonitor does.
func NewAverage(target, sigma, weight, width float64) *Average {
	return &Average{Weight: weight, Width: width, Target: target, Sigma: sigma, At: target, Decay: 1}
}

// StartsKnown is startsKnown where no start is made anyway.
func StartsKnown(p float64, good int64, confidence float64) (starts int64, probability float64, err error) {
	return startsKnown(p, good, good, confidence)
}

// Starts is learnedStarts where no start is made anyway.
func Starts(seenGood, seenScrap, good int64, prior Prior, confidence float64) (starts int64, probability float64, err error) {
	return learnedStarts(seenGood, seenScrap, good, good, prior, confidence)
}
