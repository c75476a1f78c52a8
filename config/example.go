package config

import (
	_ "embed"
	"slices"
)

//go:embed example.yaml
var example []byte

// Example returns a complete file with every key explained, to begin with. It is
// valid as it is; the values under port, belt_axis, forward and to_drop_mm must
// be those of the machine at hand.
func Example() []byte { return slices.Clone(example) }
