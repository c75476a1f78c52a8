package config

import (
	"fmt"
	"math"
	"net/textproto"
	"strings"
	"time"
	"unicode"

	"gopkg.in/yaml.v3"
)

// mostWebhooks bounds how many requests one hold can set off.
const mostWebhooks = 20

// webhookTimeout is the time one delivery may take when none is written.
const webhookTimeout = 10 * time.Second

// webhookTimeoutKey is the key under each webhook that has a unit.
var webhookTimeoutKey = key{name: "timeout_s", unit: second, least: 1, most: 120}

// webhooks reads the list of receivers. Addresses and headers may carry secrets,
// so that no message repeats their values.
func (r *reader) webhooks(n *yaml.Node, to *[]Webhook) {
	const field = "alerts.webhooks"
	if n.Kind != yaml.SequenceNode {
		r.at(n, field, "is "+shape(n)+" instead of a list", "begin each receiver with `- url:`, or write [] for none")
		return
	}
	if len(n.Content) > mostWebhooks {
		r.at(n, field, fmt.Sprintf("has %d receivers", len(n.Content)), fmt.Sprintf("name at most %d, and let one of them pass alerts on", mostWebhooks))
		return
	}
	first := map[string]int{}
	for i, item := range n.Content {
		name := fmt.Sprintf("%s[%d]", field, i)
		if !r.sound(item, name) {
			continue
		}
		if item.Kind != yaml.MappingNode {
			r.at(item, name, "is "+shape(item)+" instead of a group", "write `- url: https://host/path`")
			continue
		}
		hook := Webhook{Timeout: webhookTimeout}
		r.webhook(item, name, &hook)
		if line, twice := first[hook.URL]; twice && hook.URL != "" {
			r.at(item, name, fmt.Sprintf("has the same url as the receiver in line %d", line), "keep one of the two")
		}
		first[hook.URL] = item.Line
		*to = append(*to, hook)
	}
}

// webhook reads one receiver.
func (r *reader) webhook(n *yaml.Node, name string, hook *Webhook) {
	seen := false
	r.pairs(n, name, func(k, v *yaml.Node, field string) {
		seen = seen || k.Value == "url"
		if !r.sound(v, field) {
			return
		}
		switch k.Value {
		case "url":
			r.webhookURL(v, field, &hook.URL)
		case "header":
			r.header(v, field, hook)
		case "timeout_s":
			if v.Kind != yaml.ScalarNode {
				r.at(v, field, "is "+shape(v)+" instead of a single value", "write seconds")
				return
			}
			t := webhookTimeoutKey
			t.group, t.name = name, "timeout_s"
			if s, ok := r.number(&t, v); ok {
				hook.Timeout = time.Duration(math.Round(s * float64(time.Second)))
			}
		default:
			remedy := "a receiver has url, header and timeout_s"
			if near := nearest(k.Value, []string{"url", "header", "timeout_s"}); near != "" {
				remedy = "did you mean " + near + "?"
			}
			r.at(k, field, "there is no such key", remedy)
		}
	})
	if !seen {
		r.at(n, name+".url", "is missing", "write where to send alerts, such as https://host/path")
	}
}

// webhookURL reads the address of a receiver.
func (r *reader) webhookURL(n *yaml.Node, field string, to *string) {
	if n.Kind != yaml.ScalarNode || n.ShortTag() != "!!str" {
		r.at(n, field, "is not a text", "write it as https://host/path")
		return
	}
	if problem, remedy := urlRule(n.Value); problem != "" {
		r.at(n, field, problem, remedy)
		return
	}
	*to = n.Value
}

// header reads the lines added to each request.
func (r *reader) header(n *yaml.Node, field string, hook *Webhook) {
	if n.Kind != yaml.MappingNode {
		r.at(n, field, "is "+shape(n)+" instead of a group", "write `{Name: value}`")
		return
	}
	hook.Header = map[string]string{}
	r.pairs(n, field, func(k, v *yaml.Node, name string) {
		canonical := textproto.CanonicalMIMEHeaderKey(k.Value)
		_, twice := hook.Header[canonical]
		switch {
		case !r.sound(v, name):
		case !headerName(k.Value):
			r.at(k, name, "is not the name of a header", "write letters, digits and dashes")
		case twice:
			r.at(k, name, "is already written in another case", "keep one of the two")
		case canonical == "Host" || canonical == "Content-Length" || canonical == "Content-Type" || canonical == "Transfer-Encoding":
			r.at(k, name, "is set by the daemon itself", "remove it")
		case v.Kind != yaml.ScalarNode || v.ShortTag() == "!!null":
			r.at(v, name, "is "+shape(v)+" instead of a text", "write the value in quotation marks")
		case strings.ContainsFunc(v.Value, unicode.IsControl):
			r.at(v, name, "holds a control character or a line end", "write it on one line")
		default:
			hook.Header[canonical] = v.Value
		}
	})
}
