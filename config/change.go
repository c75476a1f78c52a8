package config

import (
	"bytes"
	"fmt"
	"slices"

	"gopkg.in/yaml.v3"
)

// Change returns the text of a configuration with other values for keys that it has, by group and key as in
// "machine.forward"; nothing else of it is changed. Values are written as they stand in YAML. The error says what must
// be changed by hand.
func Change(text []byte, values map[string]string) ([]byte, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, fmt.Errorf("cannot change the configuration: %w", err)
	}
	type place struct {
		at       *yaml.Node
		key, new string
	}
	var places []place
	for path, value := range values {
		n := valueOf(&doc, path)
		if n == nil || n.Kind != yaml.ScalarNode || n.Style != 0 || n.Anchor != "" {
			return nil, fmt.Errorf("cannot change the configuration: %s is not written there as a plain value; write it yourself: %s: %s", path, path, value)
		}
		places = append(places, place{n, path, value})
	}
	// The last on a line first, so that the columns of the others stay right.
	slices.SortFunc(places, func(a, b place) int { return b.at.Column - a.at.Column })
	lines := bytes.SplitAfter(text, []byte("\n"))
	for _, p := range places {
		line := lines[p.at.Line-1]
		from := p.at.Column - 1
		if from > len(line) || !bytes.HasPrefix(line[from:], []byte(p.at.Value)) {
			return nil, fmt.Errorf("cannot change the configuration: line %d does not have %s where it was read; write it yourself: %s: %s", p.at.Line, p.key, p.key, p.new)
		}
		lines[p.at.Line-1] = slices.Concat(line[:from], []byte(p.new), line[from+len(p.at.Value):])
	}
	return bytes.Join(lines, nil), nil
}

// valueOf finds a value by group and key; nil if it is not there.
func valueOf(doc *yaml.Node, path string) *yaml.Node {
	if len(doc.Content) == 0 {
		return nil
	}
	n := doc.Content[0]
	for _, name := range bytes.Split([]byte(path), []byte(".")) {
		if n.Kind != yaml.MappingNode {
			return nil
		}
		var next *yaml.Node
		for i := 0; i+1 < len(n.Content); i += 2 {
			if n.Content[i].Value == string(name) {
				next = n.Content[i+1]
			}
		}
		if next == nil {
			return nil
		}
		n = next
	}
	return n
}
