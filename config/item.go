package config

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gopkg.in/yaml.v3"
)

// maxReceivers bounds how many receivers of one kind one hold can call.
const maxReceivers = 20

// field is one key of an item in a list. Items may carry secrets, so that no
// message about one repeats its value.
type field struct {
	name    string
	missing string // what to write where it is not there; "" for one that may be left out
	read    func(n *yaml.Node, at string)
}

// listOf describes a list of groups for messages: what it holds and how many at most, what to do when
// there are more, and an example of an item.
type listOf struct {
	one, many string
	max       int
	remedy    string // ends before the number
	then      string // follows it
	example   string // "key: value", and more in braces where it has more keys
}

func receivers(example string) listOf {
	return listOf{"receiver", "receivers", maxReceivers, "name at most", ", and let one of them pass alerts on", example}
}

// items calls each for every item of a list that is a group.
func (r *reader) items(n *yaml.Node, list string, of listOf, each func(item *yaml.Node, at string)) {
	if n.Kind != yaml.SequenceNode {
		key, _, _ := strings.Cut(strings.TrimPrefix(of.example, "{"), " ")
		r.at(n, list, "is "+describeNode(n)+" instead of a list", "begin each "+of.one+" with `- "+key+"`, or write [] for none")
		return
	}
	if len(n.Content) > of.max {
		r.at(n, list, fmt.Sprintf("has %d %s", len(n.Content), of.many), fmt.Sprintf("%s %d%s", of.remedy, of.max, of.then))
		return
	}
	for i, item := range n.Content {
		at := fmt.Sprintf("%s[%d]", list, i)
		switch {
		case !r.checkPlain(item, at):
		case item.Kind != yaml.MappingNode:
			r.at(item, at, "is "+describeNode(item)+" instead of a group", "write `- "+of.example+"`")
		default:
			each(item, at)
		}
	}
}

// item reads the keys of one item, and reports those that are missing or unknown.
func (r *reader) item(n *yaml.Node, at string, fields []field) {
	seen := map[string]bool{}
	var known []string
	for _, f := range fields {
		known = append(known, f.name)
	}
	r.pairs(n, at, func(k, v *yaml.Node, name string) {
		i := slices.Index(known, k.Value)
		if i < 0 {
			remedy := "its keys are " + strings.Join(known[:len(known)-1], ", ") + " and " + known[len(known)-1]
			if near := nearest(k.Value, known); near != "" {
				remedy = "did you mean " + near + "?"
			}
			r.at(k, name, "there is no such key", remedy)
			return
		}
		seen[k.Value] = true
		if r.checkPlain(v, name) {
			fields[i].read(v, name)
		}
	})
	for _, f := range fields {
		if f.missing != "" && !seen[f.name] {
			r.at(n, at+"."+f.name, "is missing", f.missing)
		}
	}
}

// textField returns a field that holds a text.
func (r *reader) textField(name, missing, write string, rule func(string) (problem, remedy string), to *string) field {
	return field{name, missing, func(n *yaml.Node, at string) {
		if n.Kind != yaml.ScalarNode || n.ShortTag() != "!!str" {
			r.at(n, at, "is not a text", write)
			return
		}
		if problem, remedy := rule(n.Value); problem != "" {
			r.at(n, at, problem, remedy)
			return
		}
		*to = n.Value
	}}
}

// timeoutField returns the field that says how long a receiver may take, 1 s to most.
func (r *reader) timeoutField(most float64, to *time.Duration) field {
	return field{"timeout_s", "", func(n *yaml.Node, at string) {
		if v, ok := r.itemNumber(n, at, second, 1, most); ok {
			*to = time.Duration(math.Round(v * float64(time.Second)))
		}
	}}
}

// intField returns a field that holds a whole number.
func (r *reader) intField(name string, u unit, least, most int, to *int) field {
	return field{name, "", func(n *yaml.Node, at string) {
		v, ok := r.itemNumber(n, at, u, float64(least), float64(most))
		switch {
		case ok && v != math.Trunc(v):
			r.at(n, at, "is not a whole number", "write a whole number")
		case ok:
			*to = int(v)
		}
	}}
}

// floatField returns a field that holds a number.
func (r *reader) floatField(name string, u unit, least, most float64, to *float64) field {
	return field{name, "", func(n *yaml.Node, at string) {
		if v, ok := r.itemNumber(n, at, u, least, most); ok {
			*to = v
		}
	}}
}

// itemNumber reads a number of an item.
func (r *reader) itemNumber(n *yaml.Node, at string, u unit, least, most float64) (float64, bool) {
	if n.Kind != yaml.ScalarNode {
		r.at(n, at, "is "+describeNode(n)+" instead of a single value", "write "+u.name)
		return 0, false
	}
	group, name := at[:strings.LastIndexByte(at, '.')], at[strings.LastIndexByte(at, '.')+1:]
	return r.number(&key{group: group, name: name, unit: u, min: least, max: most}, n)
}

// choiceField returns a field that holds one of some words.
func (r *reader) choiceField(name string, to *string, choices ...string) field {
	return field{name, "", func(n *yaml.Node, at string) {
		if n.Kind != yaml.ScalarNode || !slices.Contains(choices, n.Value) {
			r.at(n, at, "must be "+strings.Join(choices, " or "), "write one of them")
			return
		}
		*to = n.Value
	}}
}

// listField returns a field that holds several texts.
func (r *reader) listField(name, missing, write string, rule func(string) (problem, remedy string), to *[]string) field {
	return field{name, missing, func(n *yaml.Node, at string) {
		switch {
		case n.Kind != yaml.SequenceNode:
			r.at(n, at, "is "+describeNode(n)+" instead of a list", write)
			return
		case len(n.Content) == 0:
			r.at(n, at, "is empty", write)
			return
		}
		var list []string
		for i, item := range n.Content {
			one := ""
			if place := fmt.Sprintf("%s[%d]", at, i); r.checkPlain(item, place) {
				r.textField("", "", write, rule, &one).read(item, place)
			}
			if one != "" {
				list = append(list, one)
			}
		}
		*to = list
	}}
}
