package config

import (
	"fmt"
	"strings"
)

// FromExample returns the text of a new configuration: the example with its comments, and with
// the given values in place of its own, by group and key as in "machine.port". Values are
// written as they stand in YAML. It fails on a key that the example does not have.
func FromExample(values map[string]string) ([]byte, error) {
	lines := strings.Split(string(example), "\n")
	left := make(map[string]string, len(values))
	for k, v := range values {
		left[k] = v
	}
	group := ""
	for i, line := range lines {
		text := strings.TrimSpace(line)
		switch {
		case text == "" || strings.HasPrefix(text, "#"):
			continue
		case !strings.HasPrefix(line, " "):
			group = strings.TrimSuffix(text, ":")
			continue
		}
		key, _, ok := strings.Cut(text, ":")
		if value, wanted := left[group+"."+key]; ok && wanted && strings.HasPrefix(line, "  "+key+":") {
			lines[i] = "  " + key + ": " + value
			delete(left, group+"."+key)
		}
	}
	for k := range left {
		return nil, fmt.Errorf("cannot write a configuration: the example has no key %s", k)
	}
	return []byte(strings.Join(lines, "\n")), nil
}
