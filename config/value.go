package config

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gopkg.in/yaml.v3"
)

// decimal is the one way to write a number. YAML also knows hexadecimal, octal
// and underscores; 0128 would silently be another number.
var decimal = regexp.MustCompile(`^[+-]?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]{1,2})?$`)

// value converts one node into the setting its key points at.
func (r *reader) value(k *key, n *yaml.Node) {
	switch to := k.at(r.settings).(type) {
	case *[]Webhook:
		r.webhooks(n, to)
		return
	case *[]Mail:
		r.mails(n, to)
		return
	case *[]Service:
		r.services(n, to)
		return
	case *[]Alertmanager:
		r.alertmanagers(n, to)
		return
	case *[]Axis:
		r.axes(k, n, to)
		return
	case *Range:
		r.ends(k, n, to)
		return
	case *[]HeadStep:
		r.head(k, n, to)
		return
	case *[]Care:
		r.careList(k, n, to)
		return
	case *[]NamedWord:
		r.namedWords(k, n, to)
		return
	}
	if n.Kind != yaml.ScalarNode {
		r.at(n, k.path(), "is "+describeNode(n)+" instead of a single value", "write `"+k.name+": value`")
		return
	}
	switch to := k.at(r.settings).(type) {
	case *string:
		r.text(k, n, to)
	case *bool:
		r.flag(k, n, to)
	case *Axis:
		if r.choice(k, n) {
			*to = Axis(n.Value[0])
		}
	case *int:
		if k.choices != nil {
			r.sign(k, n, to)
		} else if v, ok := r.number(k, n); ok {
			if v != math.Trunc(v) {
				r.at(n, k.path(), "is "+plain(v)+", which is not a whole number", "write a whole number")
				return
			}
			*to = int(v)
		}
	case *float64:
		if v, ok := r.number(k, n); ok {
			*to = v
		}
	case *time.Duration:
		if v, ok := r.number(k, n); ok {
			*to = time.Duration(math.Round(v * k.unit.size * float64(time.Second)))
		}
	}
}

// number returns the number in a node when it is one and in range.
func (r *reader) number(k *key, n *yaml.Node) (float64, bool) {
	if n.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle) != 0 || !decimal.MatchString(n.Value) {
		problem, remedy := notNumber(n, k.unit)
		r.at(n, k.path(), problem, remedy)
		return 0, false
	}
	v, err := strconv.ParseFloat(n.Value, 64)
	if err != nil {
		r.at(n, k.path(), "is too large a number", "write "+k.bounds())
		return 0, false
	}
	if k.zeroOff && v == 0 || v >= k.min && v <= k.max {
		return v, true
	}
	remedy := k.low
	if v > k.max {
		remedy = k.high
	}
	if meant := k.otherUnit(v); meant != "" {
		remedy = strings.TrimSuffix(meant+"; "+remedy, "; ")
	}
	if remedy == "" {
		remedy = "write " + k.bounds()
	}
	r.at(n, k.path(), "is "+plain(v)+", but must be "+k.bounds(), remedy)
	return 0, false
}

// bounds returns the range of a number in words.
func (k *key) bounds() string {
	b := plain(k.min) + " to " + plain(k.max) + " " + k.unit.name
	if k.zeroOff && k.min > 0 {
		b += ", or 0"
	}
	return b
}

// groupedNumber is a number with separators of thousands.
var groupedNumber = regexp.MustCompile(`^[+-]?[0-9]{1,3}([,_' ][0-9]{3})+(\.[0-9]+)?$`)

// notNumber says why a text is no number and what was probably meant.
func notNumber(n *yaml.Node, want unit) (problem, remedy string) {
	text := strings.TrimSpace(n.Value)
	if n.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle) != 0 && decimal.MatchString(text) {
		return "is a text in quotation marks", "write " + text + " without them"
	}
	if problem, remedy, found := unitMistake(text, want); found {
		return problem, remedy
	}
	problem = "is not a number (" + quoteShort(n.Value) + ")"
	stripped := strings.TrimLeft(strings.TrimLeft(text, "+-"), "0")
	switch {
	case groupedNumber.MatchString(text):
		bare := strings.NewReplacer(",", "", "_", "", "'", "", " ", "").Replace(text)
		return problem, "write " + bare + ", without separators"
	case decimal.MatchString(strings.Replace(text, ",", ".", 1)):
		return problem, "write " + strings.Replace(text, ",", ".", 1) + ", with a point"
	case decimal.MatchString(stripped):
		return problem, "write " + stripped + ", without leading zeros"
	case strings.EqualFold(text, "off") || strings.EqualFold(text, "none") || strings.EqualFold(text, "never"):
		return problem, "write 0 if the key allows it; the unit is " + want.name
	}
	return problem, "write a decimal number such as 12.5; the unit is " + want.name
}

// sign reads +1 or -1.
func (r *reader) sign(k *key, n *yaml.Node, to *int) {
	switch n.Value {
	case "+1", "1":
		*to = 1
	case "-1":
		*to = -1
	case "unknown":
		*to = 0
	default:
		r.at(n, k.path(), "is "+quoteShort(n.Value)+", but must be +1, -1 or unknown", requiredRemedies[k.path()])
	}
}

// text reads a text, which YAML must not have taken for something else.
func (r *reader) text(k *key, n *yaml.Node, to *string) {
	if n.ShortTag() != "!!str" {
		remedy := "write it in quotation marks if it is meant"
		if k.rule != nil {
			if wrong, right := k.rule(n.Value); wrong != "" {
				remedy = right
			}
		}
		r.at(n, k.path(), "is not a text ("+quoteShort(n.Value)+")", remedy)
		return
	}
	if k.choices != nil && !r.choice(k, n) {
		return
	}
	if k.rule != nil {
		if problem, remedy := k.rule(n.Value); problem != "" {
			if n.Value != "" {
				problem += " (" + quoteShort(n.Value) + ")"
			}
			r.at(n, k.path(), problem, remedy)
			return
		}
	}
	*to = n.Value
}

// choice says whether the node is one of the texts allowed, and reports if not.
func (r *reader) choice(k *key, n *yaml.Node) bool {
	if slices.Contains(k.choices, n.Value) {
		return true
	}
	remedy := "write one of them"
	for _, c := range k.choices {
		if strings.EqualFold(c, n.Value) {
			remedy = "write " + c
		}
	}
	r.at(n, k.path(), "is "+quoteShort(n.Value)+", but must be "+strings.Join(k.choices, " or "), remedy)
	return false
}

// flag reads true or false. YAML's older spellings are refused, since readers
// disagree about them and these keys acknowledge a danger.
func (r *reader) flag(k *key, n *yaml.Node, to *bool) {
	if n.ShortTag() != "!!bool" || n.Value != "true" && n.Value != "false" {
		r.at(n, k.path(), "is "+quoteShort(n.Value)+", but must be true or false", "write true or false, without quotation marks")
		return
	}
	*to = n.Value == "true"
}

// axes reads a list of axis letters, which may be empty.
func (r *reader) axes(k *key, n *yaml.Node, to *[]Axis) {
	if n.Kind != yaml.SequenceNode {
		r.at(n, k.path(), "is "+describeNode(n)+" instead of a list", "write it as [X, Z], or [] for none")
		return
	}
	list := []Axis{}
	for _, item := range n.Content {
		switch {
		case !r.checkPlain(item, k.path()):
		case item.Kind != yaml.ScalarNode:
			r.at(item, k.path(), "holds "+describeNode(item)+" instead of an axis", "write it as [X, Z]")
		case !r.choice(k, item):
		case slices.Contains(list, Axis(item.Value[0])):
			r.at(item, k.path(), "names "+item.Value+" twice", "name each axis once")
		default:
			list = append(list, Axis(item.Value[0]))
		}
	}
	*to = list
}
