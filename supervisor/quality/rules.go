package quality

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
)

// Rule is a pattern that is unlikely while nothing has changed.
type Rule string

// The rules. The first four use zones of one, two and three standard deviations, each side
// separately.
const (
	Outside      Rule = "outside-limits"
	Beyond3      Rule = "beyond-3-sigma"
	TwoOfThree   Rule = "2-of-3-beyond-2-sigma"
	FourOfFive   Rule = "4-of-5-beyond-1-sigma"
	EightOneSide Rule = "8-on-one-side"
	Trend        Rule = "6-rising-or-falling"
	Alternating  Rule = "14-alternating"
	Range        Rule = "moving-range"
	EWMA         Rule = "ewma"
	CUSUM        Rule = "cusum"
	ChangePoint  Rule = "change-point"
)

// Rules returns all rules in a fixed order.
func Rules() []Rule {
	return []Rule{Outside, Beyond3, TwoOfThree, FourOfFive, EightOneSide, Trend, Alternating, Range, EWMA, CUSUM, ChangePoint}
}

// ZoneRules returns the four zone rules. Together they give a false alarm about once
// in 92 values, the first alone once in 370 (Champ and Woodall 1987).
func ZoneRules() []Rule { return []Rule{Beyond3, TwoOfThree, FourOfFive, EightOneSide} }

// ParseRules reads rule names. The error names every unknown one.
func ParseRules(names []string) ([]Rule, error) {
	var out []Rule
	var unknown []string
	for _, name := range names {
		r := Rule(strings.TrimSpace(name))
		switch {
		case !slices.Contains(Rules(), r):
			unknown = append(unknown, fmt.Sprintf("%q", name))
		case !slices.Contains(out, r):
			out = append(out, r)
		}
	}
	if unknown != nil {
		return nil, fmt.Errorf("cannot use rules %s: known are %s", strings.Join(unknown, ", "), strings.Trim(fmt.Sprint(Rules()), "[]"))
	}
	return out, nil
}

// Signal is one rule that a value broke.
type Signal struct {
	Index int64  `json:"index"` // of the value that completed it, from 0
	From  int64  `json:"from"`  // of the first value that it speaks of, as far as the rule knows it
	Rule  Rule   `json:"rule"`
	Side  int    `json:"side"` // 1 above or rising, -1 below or falling, 0 neither
	Text  string `json:"text"`
}

// Runs is the memory of the zone and pattern rules. Its size is bounded.
type Runs struct {
	Zones     []int   `json:"zones,omitempty"` // of the last five values: 0 within one standard deviation, else 1 to 3 with the side as sign
	Side      int     `json:"side"`            // length of the run on one side, the side as sign
	Steps     int     `json:"steps"`           // steps in a row that rose (+) or fell (-)
	Turns     int     `json:"turns"`           // steps in a row that each went against the one before
	Last      float64 `json:"last"`
	LastStep  int     `json:"last_step"`
	HasValues bool    `json:"has_values"`
}

// observe adds one value and returns the rules it completes, with their side.
func (r *Runs) observe(v float64, l Limits) map[Rule]int {
	side, zone := sign(v-l.Mean), zoneOf(v, l)
	if len(r.Zones) == 5 {
		r.Zones = slices.Delete(r.Zones, 0, 1)
	}
	r.Zones = append(r.Zones, zone)
	if side != 0 && sign(float64(r.Side)) == side {
		r.Side += side
	} else {
		r.Side = side
	}
	if r.HasValues {
		r.step(sign(v - r.Last))
	}
	r.Last, r.HasValues = v, true

	broken := map[Rule]int{}
	mark := func(rule Rule, is bool, side int) {
		if is {
			broken[rule] = side
		}
	}
	mark(Outside, v > l.UCL || v < l.LCL, side)
	mark(Beyond3, abs(zone) == 3, side)
	mark(TwoOfThree, abs(zone) >= 2 && r.beyond(3, 2, side) >= 2, side)
	mark(FourOfFive, abs(zone) >= 1 && r.beyond(5, 1, side) >= 4, side)
	mark(EightOneSide, abs(r.Side) >= 8, side)
	mark(Trend, abs(r.Steps) >= 5, sign(float64(r.Steps)))
	mark(Alternating, r.Turns >= 13, 0)
	return broken
}

// step counts a step up (1), down (-1) or none (0), which ends every pattern.
func (r *Runs) step(s int) {
	switch {
	case s == 0:
		r.Steps, r.Turns = 0, 0
	case s == r.LastStep:
		r.Steps, r.Turns = r.Steps+s, 1
	default:
		r.Steps, r.Turns = s, r.Turns+1
	}
	r.LastStep = s
}

// beyond counts how many of the last few values are in or beyond a zone on one side.
func (r *Runs) beyond(last, zone, side int) int {
	n := 0
	for _, z := range r.Zones[max(0, len(r.Zones)-last):] {
		if z*side >= zone {
			n++
		}
	}
	return n
}

func zoneOf(v float64, l Limits) int {
	away := math.Abs(v - l.Mean)
	for zone := 3; zone > 0; zone-- {
		if away > float64(zone)*l.Sigma {
			return zone * sign(v-l.Mean)
		}
	}
	return 0
}

func sign(v float64) int {
	switch {
	case v > 0:
		return 1
	case v < 0:
		return -1
	}
	return 0
}

func abs(n int) int { return max(n, -n) }

// median returns the middle value without changing the order of values; NaN for none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	s := slices.Clone(values)
	sort.Float64s(s)
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}
