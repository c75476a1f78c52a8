// Package precision writes the numbers of JSON as precisely as they are known, and not as precisely as
// a computer can hold them. What a number is shows in its name, whose end is its unit; so one place
// serves every answer. Whole numbers, such as counts, numbers of records and bytes, are never altered,
// nor is any text.
package precision

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"
	"strings"
)

// rule is how a number is rounded: to so many decimals, and, where figures is not 0, to so many
// significant figures if that keeps more.
type rule struct{ decimals, figures int }

// usual holds for a number without a unit in its name: a statistic, a sum of money, a place.
var usual = rule{3, 6}

// units are the ends of names, the longer before what it ends in.
var units = []struct {
	end  string
	rule rule
}{
	{"_per_mm", usual}, // steps
	{"sd_mm", rule{3, 4}},
	{"_mm", rule{decimals: 3}}, {"_cm3", rule{decimals: 3}},
	{"_c", rule{decimals: 1}},
	{"_s", rule{decimals: 3}}, {"_min", rule{decimals: 3}},
	{"_g", rule{decimals: 2}},
	{"_ratio", ratio}, {"_share", ratio},
}

// ratio has four significant figures.
var ratio = rule{0, 4}

// ratios are those whose names do not say so.
var ratios = map[string]bool{"availability": true, "effectiveness": true, "oee": true, "yield": true, "fraction": true,
	"probability": true, "pp": true, "ppk": true}

// ruleOf returns the rule for a name; false if the name has no unit.
func ruleOf(name string) (rule, bool) {
	if ratios[name] {
		return ratio, true
	}
	for _, u := range units {
		if strings.HasSuffix(name, u.end) {
			return u.rule, true
		}
	}
	if strings.Contains(name, "_mm_per_") && !strings.Contains(name, "_mm_per_m_") && !strings.HasSuffix(name, "_mm_per_m") {
		return rule{decimals: 3}, true // a length for each of something
	}
	return usual, strings.Contains(name, "_per_")
}

// Marshal is [json.Marshal] with rounded numbers.
func Marshal(v any) ([]byte, error) {
	data, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return Round(data), nil
}

// MarshalIndent is the same with indented lines.
func MarshalIndent(v any, prefix, indent string) ([]byte, error) {
	data, err := Marshal(v)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := json.Indent(&b, data, prefix, indent); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// level is an object or an array that is being read.
type level struct {
	object, key bool // key: the next text is a name
	inherited   rule // of the name that it stands under
	rule        rule // of the next number
}

// Round rounds the numbers in JSON. What is no JSON comes back as it is.
func Round(data []byte) []byte {
	if !json.Valid(data) {
		return data
	}
	out := make([]byte, 0, len(data))
	stack := []level{{rule: usual, inherited: usual}}
	for i := 0; i < len(data); {
		top := &stack[len(stack)-1]
		from := i
		switch c := data[i]; {
		case c == '{' || c == '[':
			stack = append(stack, level{object: c == '{', key: c == '{', inherited: top.rule, rule: top.rule})
			i++
		case c == '}' || c == ']':
			stack = stack[:len(stack)-1]
			i++
		case c == ',':
			top.key = top.object
			i++
		case c == '"':
			for i++; data[i] != '"'; i++ {
				if data[i] == '\\' {
					i++
				}
			}
			i++
			if top.key {
				var name string
				_ = json.Unmarshal(data[from:i], &name) // it is valid
				top.key = false
				top.rule = top.inherited
				if r, ok := ruleOf(name); ok {
					top.rule = r
				}
			}
		case c == '-' || c >= '0' && c <= '9':
			for i < len(data) && strings.IndexByte("+-.eE0123456789", data[i]) >= 0 {
				i++
			}
			out = append(out, top.rule.round(string(data[from:i]))...)
			continue
		default:
			i++
		}
		out = append(out, data[from:i]...)
	}
	return out
}

// round writes a number by the rule.
func (r rule) round(text string) string {
	if !strings.ContainsAny(text, ".eE") {
		return text
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || x == 0 {
		return text
	}
	places := r.decimals
	if r.figures > 0 {
		places = max(places, r.figures-1-int(math.Floor(math.Log10(math.Abs(x)))))
	}
	if places > 17 || math.Abs(x) >= 1e15 { // far below what decimals show, or beyond what a float holds
		return strconv.FormatFloat(x, 'g', max(4, r.figures), 64)
	}
	text = strconv.FormatFloat(x, 'f', max(0, places), 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	if text == "-0" {
		return "0"
	}
	return text
}
