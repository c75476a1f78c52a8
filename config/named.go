package config

import (
	"regexp"
	"strings"

	"gopkg.in/yaml.v3"
)

// maxNamedWords is more than any board's start and end code has.
const maxNamedWords = 20

var (
	namedWord = regexp.MustCompile(`^[A-Za-z_]{3}[A-Za-z0-9_]*$`)
	argument  = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_]*$`)
)

// namedWords reads what named words of the board do.
func (r *reader) namedWords(k *key, n *yaml.Node, to *[]NamedWord) {
	of := listOf{"word", "words", maxNamedWords, "describe at most", "", "{word: BEGIN_JOB, nozzle: EXTRUDER, bed: BED}"}
	first := map[string]int{}
	r.items(n, k.path(), of, func(item *yaml.Node, name string) {
		w := r.namedWord(k, item, name)
		lower := strings.ToLower(w.Word)
		if line, twice := first[lower]; twice && lower != "" {
			r.at(item, name, "describes the same word as line "+itoa(line), "keep one of the two")
		}
		first[lower] = item.Line
		*to = append(*to, w)
	})
}

// namedWord reads one of them.
func (r *reader) namedWord(k *key, n *yaml.Node, name string) (w NamedWord) {
	seen := false
	r.pairs(n, name, func(key, v *yaml.Node, at string) {
		if !r.checkPlain(v, at) {
			return
		}
		if v.Kind != yaml.ScalarNode {
			r.at(v, at, "is "+describeNode(v)+" instead of a single value", "write one word or number")
			return
		}
		switch key.Value {
		case "word":
			if seen = true; !namedWord.MatchString(v.Value) {
				r.at(v, at, "is no named word", "write its name as in the file: three letters or more, digits and _")
				return
			}
			w.Word = v.Value
		case "nozzle":
			w.Nozzle = r.heaterArgument(k, v, at)
		case "bed":
			w.Bed = r.heaterArgument(k, v, at)
		case "extruder":
			if v.Value != "relative" && v.Value != "absolute" {
				r.at(v, at, "must be relative or absolute", "write one of them, or leave it out")
				return
			}
			w.Extruder = v.Value
		case "homes":
			if v.ShortTag() != "!!bool" {
				r.at(v, at, "is neither true nor false", "write true or false")
				return
			}
			w.Homes = v.Value == "true"
		default:
			r.at(key, at, "there is no such key", "a named word has word, nozzle, bed, extruder and homes")
		}
	})
	if !seen {
		r.at(n, name+".word", "is missing", "write the word as it stands in job files")
	}
	return w
}

// heaterArgument reads by what a heater is set: an argument, or a temperature.
func (r *reader) heaterArgument(k *key, v *yaml.Node, at string) string {
	if argument.MatchString(v.Value) && v.ShortTag() == "!!str" {
		return v.Value
	}
	one := *k
	cut := strings.LastIndexByte(at, '.')
	one.group, one.name = at[:cut], at[cut+1:]
	if _, ok := r.number(&one, v); !ok {
		return ""
	}
	return v.Value
}
