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

// namedWords reads job.named_words: what a board's own words do.
func (r *reader) namedWords(k *key, n *yaml.Node, to *[]NamedWord) {
	of := listOf{"word", "words", maxNamedWords, "describe at most", "", "{word: BEGIN_JOB, nozzle: EXTRUDER, bed: BED}"}
	first := map[string]int{}
	r.items(n, k.path(), of, func(item *yaml.Node, at string) {
		var w NamedWord
		r.item(item, at, []field{
			r.textField("word", "write the word as it stands in job files", "write the word as it stands in job files", namedWordRule, &w.Word),
			r.heaterField("nozzle", k, &w.Nozzle),
			r.heaterField("bed", k, &w.Bed),
			r.choiceField("extruder", &w.Extruder, "relative", "absolute"),
			r.boolField("homes", &w.Homes),
		})
		lower := strings.ToLower(w.Word)
		if line, twice := first[lower]; twice && lower != "" {
			r.at(item, at, "describes the same word as line "+itoa(line), "keep one of the two")
		}
		first[lower] = item.Line
		*to = append(*to, w)
	})
}

// namedWordRule accepts a word that no G-code word can be taken for.
func namedWordRule(s string) (problem, remedy string) {
	if !namedWord.MatchString(s) {
		return "is no named word", "write its name as in the file: three letters or more, digits and _"
	}
	return "", ""
}

// heaterField returns the field that says what sets a heater: the name of an argument, or a
// temperature within the bounds of k.
func (r *reader) heaterField(name string, k *key, to *string) field {
	return field{name, "", func(n *yaml.Node, at string) {
		if n.Kind == yaml.ScalarNode && argument.MatchString(n.Value) && n.ShortTag() == "!!str" {
			*to = n.Value
		} else if _, ok := r.itemNumber(n, at, k.unit, k.min, k.max); ok {
			*to = n.Value
		}
	}}
}

// boolField returns a field that holds true or false.
func (r *reader) boolField(name string, to *bool) field {
	return field{name, "", func(n *yaml.Node, at string) {
		if n.ShortTag() != "!!bool" {
			r.at(n, at, "is neither true nor false", "write true or false")
			return
		}
		*to = n.Value == "true"
	}}
}
