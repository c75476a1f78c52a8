package config

import (
	"fmt"

	"gopkg.in/yaml.v3"
)

// maxHeadSteps is more than any head needs to be described by.
const maxHeadSteps = 8

// ends reads [lowest, highest] of an axis; after [] the axis is not checked.
func (r *reader) ends(k *key, n *yaml.Node, to *Range) {
	const remedy = "write [lowest, highest], or [] to judge nothing"
	if n.Kind != yaml.SequenceNode {
		r.at(n, k.path(), "is "+describeNode(n)+" instead of a list", remedy)
		return
	}
	if len(n.Content) == 0 {
		*to = Range{}
		return
	}
	if len(n.Content) != 2 {
		r.at(n, k.path(), fmt.Sprintf("has %d numbers", len(n.Content)), remedy)
		return
	}
	var v Range
	for i, item := range n.Content {
		name := fmt.Sprintf("%s[%d]", k.name, i)
		if !r.checkPlain(item, k.group+"."+name) {
			return
		}
		if item.Kind != yaml.ScalarNode {
			r.at(item, k.group+"."+name, "is "+describeNode(item)+" instead of a single value", remedy)
			return
		}
		one := *k
		one.name = name
		x, ok := r.number(&one, item)
		if !ok {
			return
		}
		v[i] = x
	}
	if v[0] >= v[1] {
		r.at(n, k.path(), "ends at "+plain(v[1])+", which is not above its beginning "+plain(v[0]), "write the lower end first")
		return
	}
	*to = v
}

// head reads machine.head. Each length of a step must be written: a forgotten one would be a
// head that reaches nowhere.
func (r *reader) head(k *key, n *yaml.Node, to *[]HeadStep) {
	of := listOf{"step", "steps", maxHeadSteps, "describe the head by at most", "", "{above_mm: 5, front_mm: 30, behind_mm: 30}"}
	r.items(n, k.path(), of, func(item *yaml.Node, at string) {
		var s HeadStep
		length := func(name string, to *float64) field {
			f := r.floatField(name, k.unit, k.min, k.max, to)
			f.missing = "measure it, and write millimetres"
			return f
		}
		r.item(item, at, []field{length("above_mm", &s.AboveMM), length("front_mm", &s.FrontMM), length("behind_mm", &s.BehindMM)})
		*to = append(*to, s)
	})
}
