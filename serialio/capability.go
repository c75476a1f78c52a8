package serialio

import (
	"bytes"
	"strings"
)

// parseCapability reads NAME:0 or NAME:1.
func parseCapability(r *Reply, b []byte) bool {
	name, value, ok := bytes.Cut(trimLine(b), []byte(":"))
	value = trimLine(value)
	if !ok || len(name) == 0 || len(name) > 64 || len(value) != 1 || (value[0] != '0' && value[0] != '1') {
		return false
	}
	r.Kind, r.Capability, r.CapabilityOn = ReplyCapability, printable(name), value[0] == '1'
	return true
}

// isFirmware reports whether a line begins with a capital KEY_WORD: of five
// letters or more, as the description of a firmware does.
func isFirmware(line []byte) bool {
	i := keyLen(line)
	return i >= 5 && i < len(line) && line[i] == ':'
}

// Fields splits the text of a firmware line into its KEY:value words. A value
// runs up to the next key and may hold blanks.
func (r Reply) Fields() map[string]string {
	out := map[string]string{}
	key, from := "", 0
	for i := 0; i < len(r.Text); i++ {
		if i > 0 && r.Text[i-1] != ' ' {
			continue
		}
		n := keyLen(r.Text[i:])
		if n < 3 || i+n >= len(r.Text) || r.Text[i+n] != ':' {
			continue
		}
		if key != "" {
			out[key] = strings.TrimSpace(r.Text[from:i])
		}
		key, from = r.Text[i:i+n], i+n+1
	}
	if key != "" {
		out[key] = strings.TrimSpace(r.Text[from:])
	}
	return out
}
