package config

import (
	"net/textproto"
	"strings"
	"time"
	"unicode"

	"gopkg.in/yaml.v3"
)

// webhookTimeout is the time one delivery may take when none is written.
const webhookTimeout = 10 * time.Second

const webAddress = "write it as https://host/path"

// webhooks reads the list of receivers that take a JSON body. Addresses and
// headers may carry secrets, so that no message repeats their values.
func (r *reader) webhooks(n *yaml.Node, to *[]Webhook) {
	first := map[string]int{}
	r.items(n, "alerts.webhooks", receivers("url: https://host/path"), func(item *yaml.Node, at string) {
		hook := Webhook{Receiver: Receiver{Level: 1}, Timeout: webhookTimeout}
		fields := append(r.receiverFields(&hook.Receiver, ""),
			r.textField("url", "", webAddress, urlRule, &hook.URL),
			r.textField("url_file", "", writeAbsolute, secretRule, &hook.URLFile),
			field{"header", "", func(n *yaml.Node, at string) { r.header(n, at, &hook.Header) }},
			r.textField("sign_file", "", writeAbsolute, secretRule, &hook.SignFile),
			r.timeoutField(120, &hook.Timeout))
		r.item(item, at, fields)
		r.checkAddress(item, at)
		if line, twice := first[hook.URL]; twice && hook.URL != "" {
			r.at(item, at, "has the same url as the receiver in line "+itoa(line), "keep one of the two")
		}
		first[hook.URL] = item.Line
		r.checkUniqueName(item, at, &hook.Receiver)
		*to = append(*to, hook)
	})
}

// checkAddress asks for url or url_file, and not for both.
func (r *reader) checkAddress(item *yaml.Node, at string) {
	switch url, file := hasKey(item, "url"), hasKey(item, "url_file"); {
	case !url && !file:
		r.at(item, at+".url", "is missing", "write where to send alerts, such as https://host/path, or name a file that holds it: url_file")
	case url && file:
		r.at(item, at, "has both url and url_file", "keep one of the two")
	}
}

// hasKey says whether an item has a key.
func hasKey(item *yaml.Node, name string) bool {
	for i := 0; i+1 < len(item.Content); i += 2 {
		if item.Content[i].Value == name {
			return true
		}
	}
	return false
}

// header reads the lines added to each request.
func (r *reader) header(n *yaml.Node, field string, to *map[string]string) {
	if n.Kind != yaml.MappingNode {
		r.at(n, field, "is "+describeNode(n)+" instead of a group", "write `{Name: value}`")
		return
	}
	header := map[string]string{}
	*to = header
	r.pairs(n, field, func(k, v *yaml.Node, name string) {
		canonical := textproto.CanonicalMIMEHeaderKey(k.Value)
		_, twice := header[canonical]
		switch {
		case !r.checkPlain(v, name):
		case !headerName(k.Value):
			r.at(k, name, "is not the name of a header", "write letters, digits and dashes")
		case twice:
			r.at(k, name, "is already written in another case", "keep one of the two")
		case canonical == "Host" || canonical == "Content-Length" || canonical == "Content-Type" || canonical == "Transfer-Encoding":
			r.at(k, name, "is set by the daemon itself", "remove it")
		case v.Kind != yaml.ScalarNode || v.ShortTag() == "!!null":
			r.at(v, name, "is "+describeNode(v)+" instead of a text", "write the value in quotation marks")
		case strings.ContainsFunc(v.Value, unicode.IsControl):
			r.at(v, name, "holds a control character or a line end", "write it on one line")
		default:
			header[canonical] = v.Value
		}
	})
}
