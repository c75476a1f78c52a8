package config

import (
	"fmt"

	"gopkg.in/yaml.v3"
)

// maxHeadSteps is more than any head needs to be described by.
const maxHeadSteps = 8

// ends reads [lowest, highest] of an axis; [] leaves it unjudged.
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

// head reads the steps of the head.
func (r *reader) head(k *key, n *yaml.Node, to *[]HeadStep) {
	of := listOf{"step", "steps", maxHeadSteps, "describe the head by at most", "", "{above_mm: 5, front_mm: 30, behind_mm: 30}"}
	r.items(n, k.path(), of, func(item *yaml.Node, name string) { *to = append(*to, r.headStep(k, item, name)) })
}

// headStep reads one step. Each length must be written: a forgotten one would be a
// head that reaches nowhere.
func (r *reader) headStep(k *key, n *yaml.Node, name string) (step HeadStep) {
	fields := map[string]*float64{"above_mm": &step.AboveMM, "front_mm": &step.FrontMM, "behind_mm": &step.BehindMM}
	seen := map[string]bool{}
	r.pairs(n, name, func(key, v *yaml.Node, field string) {
		to := fields[key.Value]
		if to == nil {
			r.at(key, field, "there is no such key", "a step of the head has above_mm, front_mm and behind_mm")
			return
		}
		seen[key.Value] = true
		if !r.checkPlain(v, field) {
			return
		}
		if v.Kind != yaml.ScalarNode {
			r.at(v, field, "is "+describeNode(v)+" instead of a single value", "write millimetres")
			return
		}
		one := *k
		one.group, one.name = name, key.Value
		if x, ok := r.number(&one, v); ok {
			*to = x
		}
	})
	for _, f := range []string{"above_mm", "front_mm", "behind_mm"} {
		if !seen[f] {
			r.at(n, name+"."+f, "is missing", "measure it, and write millimetres")
		}
	}
	return step
}
