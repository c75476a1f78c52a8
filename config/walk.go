package config

import (
	"fmt"
	"path"
	"strings"

	"gopkg.in/yaml.v3"
)

// describeNode names a node for a message.
func describeNode(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a group"
	case yaml.SequenceNode:
		return "a list"
	case yaml.AliasNode:
		return "a reference"
	}
	if n.ShortTag() == "!!null" {
		return "nothing"
	}
	return "a single value"
}

// secret says whether values under this key are kept out of messages.
func secret(field string) bool {
	for _, list := range []string{"webhooks", "mails", "services", "alertmanagers"} {
		if strings.HasPrefix(field, "alerts."+list) {
			return true
		}
	}
	return false
}

// checkPlain reports aliases, anchors and type tags, which could hide or multiply what a person
// sees in the file.
func (r *reader) checkPlain(n *yaml.Node, field string) bool {
	switch {
	case n.Kind == yaml.AliasNode:
		r.at(n, field, "a reference (*name) is used", "write the value itself")
	case n.Anchor != "":
		r.at(n, field, "a mark for references (&name) is used", "remove it, and write each value where it belongs")
	case n.Style&yaml.TaggedStyle != 0:
		r.at(n, field, "a type tag (!) is used", "remove it")
	case r.checkTypeset(n, field):
	default:
		return true
	}
	return false
}

// pairs calls each for every key of a mapping, and reports keys that occur twice or are no words.
func (r *reader) pairs(n *yaml.Node, within string, each func(k, v *yaml.Node, field string)) {
	first := make(map[string]int, len(n.Content)/2)
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		if !r.checkPlain(k, within) {
			continue
		}
		if k.Kind != yaml.ScalarNode {
			r.at(k, within, "a key is "+describeNode(k)+" instead of a word", "write `key: value`")
			continue
		}
		field := quoteShort(k.Value)
		if within != "" {
			field = within + "." + field
		}
		if line, twice := first[k.Value]; twice {
			r.bad[field] = true
			r.at(k, field, fmt.Sprintf("is already written in line %d", line), "keep one of the two")
			continue
		}
		first[k.Value] = k.Line
		each(k, v, field)
	}
}

// root reads the groups of a file.
func (r *reader) root(n *yaml.Node) {
	if !r.checkPlain(n, "") {
		return
	}
	r.pairs(n, "", func(k, v *yaml.Node, field string) {
		known := false
		for _, g := range groupNames {
			known = known || g == k.Value
		}
		if !known {
			r.at(k, field, "there is no such group", suggestGroup(k.Value))
			return
		}
		r.groups[k.Value] = k
		if !r.checkPlain(v, field) {
			r.distrust(field)
			return
		}
		switch {
		case v.Kind == yaml.MappingNode:
			r.group(k.Value, v)
		case describeNode(v) != "nothing":
			r.distrust(field)
			remedy := "write its keys on lines of their own below " + field + ":, indented"
			if v.Kind == yaml.ScalarNode && looksAssigned(v.Value) {
				remedy = "write `key: value`, with a colon and a space after it"
			}
			r.at(v, field, "is "+describeNode(v)+" instead of a group", remedy)
		}
	})
	for _, g := range groupNames {
		if r.bad[g] { // written twice, and only the first was read
			r.distrust(g)
		}
	}
}

// distrust marks every key of a group as wrong, so that one mistake does not cause a dozen others.
func (r *reader) distrust(group string) {
	for _, name := range keyNames(group) {
		r.bad[group+"."+name] = true
	}
}

// group reads the keys of one group.
func (r *reader) group(group string, n *yaml.Node) {
	r.pairs(n, group, func(name, v *yaml.Node, field string) {
		k := findKey(field)
		if k == nil {
			r.at(name, field, "there is no such key", suggest(group, name.Value))
			return
		}
		r.written[field] = v
		before := len(r.errs) + r.dropped
		switch {
		case !r.checkPlain(v, field):
		case v.Kind == yaml.ScalarNode && v.ShortTag() == "!!null":
			r.at(v, field, "has no value", "write one, or remove the line")
		default:
			r.value(k, v)
		}
		if len(r.errs)+r.dropped > before {
			r.bad[field] = true
		}
	})
}

// finish reports what is missing and what contradicts itself, after all keys
// have been read.
func (r *reader) finish() {
	for i := range keys {
		k := &keys[i]
		if !k.required || r.written[k.path()] != nil || r.bad[k.path()] {
			continue
		}
		r.bad[k.path()] = true
		where := &yaml.Node{Line: 1, Column: 1}
		if g := r.groups[k.group]; g != nil {
			where = g
		}
		r.report(&Error{Line: where.Line, Column: where.Column, Field: k.path(), Problem: "is missing", Remedy: requiredRemedies[k.path()]})
	}
	s := r.settings
	homed, lift := axesByBelt(s.Machine.BeltAxis)
	if r.written["machine.homed_axes"] == nil {
		s.Machine.HomedAxes = homed
	}
	if r.written["machine.lift_axis"] == nil {
		s.Machine.LiftAxis = lift
	}
	if r.written["server.jobs_folder"] == nil && r.written["ledger.path"] != nil && !r.bad["ledger.path"] {
		s.Server.JobsFolder = path.Join(path.Dir(s.Ledger.Path), "jobs")
	}
	if r.written["ledger.backup_folder"] == nil && r.written["ledger.path"] != nil && !r.bad["ledger.path"] {
		s.Ledger.BackupFolder = path.Join(path.Dir(s.Ledger.Path), "backups")
	}
	r.checkContradictions()
}

// requiredRemedies says how to find each required value.
var requiredRemedies = map[string]string{
	"machine.port":      "write the device path of the board; `beltwarden ports` lists them",
	"machine.belt_axis": "write Y for an upright gantry, Z for a tilted one",
	"machine.forward":   "write +1 or -1, the sign of a move that carries parts to the drop edge; or unknown until you have found it: beltwarden setup",
	"belt.to_drop_mm":   "measure from the nozzle to the edge where parts fall, along the belt; 0 if you do not know it",
}
