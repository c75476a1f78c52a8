package main

import (
	"fmt"
	"os"
	"slices"
	"strings"
)

// colourChoice is the value of --color.
type colourChoice string

const (
	colourAuto   colourChoice = "auto"
	colourAlways colourChoice = "always"
	colourNever  colourChoice = "never"
)

var colourChoices = []colourChoice{colourAuto, colourAlways, colourNever}

// String implements pflag.Value.
func (c *colourChoice) String() string { return string(*c) }

// Type implements pflag.Value.
func (c *colourChoice) Type() string { return "string" }

// Set implements pflag.Value.
func (c *colourChoice) Set(text string) error {
	if !slices.Contains(colourChoices, colourChoice(text)) {
		return fmt.Errorf("it must be auto, always or never")
	}
	*c = colourChoice(text)
	return nil
}

// decorates reports whether bold and colour are written: as the flag says, or else as the environment
// does. NO_COLOR comes first (no-color.org), then CLICOLOR_FORCE and FORCE_COLOR, which ask for colour
// in a pipe too (bixense.com/clicolors), then CLICOLOR=0 and TERM=dumb.
func (c colourChoice) decorates(terminal bool) bool {
	off := func(name string) bool { return os.Getenv(name) == "" || os.Getenv(name) == "0" }
	switch {
	case c == colourAlways, c == colourNever:
		return c == colourAlways
	case os.Getenv("NO_COLOR") != "":
		return false
	case !off("CLICOLOR_FORCE"), !off("FORCE_COLOR") && !strings.EqualFold(os.Getenv("FORCE_COLOR"), "false"):
		return true
	}
	return terminal && os.Getenv("CLICOLOR") != "0" && os.Getenv("TERM") != "dumb"
}
