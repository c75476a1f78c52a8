package config

import (
	"fmt"
	"strings"
)

// FromExample returns the text of a new configuration: the example with its comments, with
// some values in place of the example's, by group and key as in "machine.port". Values are
// written as they stand in YAML. A key that the example does not have is a fault of the
// caller.
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
