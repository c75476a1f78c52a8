package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is set when a release is built (-ldflags "-X main.version=...").
var version string

// build is what is known of this program file.
type build struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"` // of the source, when it was built from a checkout
	Modified bool   `json:"modified,omitempty"` // built with changes that no revision holds
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

func thisBuild() build {
	b := build{Version: version, Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	if info, ok := debug.ReadBuildInfo(); ok {
		if b.Version == "" {
			b.Version = info.Main.Version
		}
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				b.Revision = s.Value
			case "vcs.modified":
				b.Modified = s.Value == "true"
			}
		}
	}
	if b.Version == "" {
		b.Version = "(devel)"
	}
	return b
}

func newVersion() *cobra.Command {
	c := &cobra.Command{Use: "version", Short: "Print the version", Args: args(0, 0, "")}
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		b := thisBuild()
		if *asJSON {
			return printJSON(c.OutOrStdout(), b)
		}
		_, err := fmt.Fprintf(c.OutOrStdout(), "beltwarden %s (%s, %s)\n", b.Version, b.Go, b.Platform)
		return err
	}
	return c
}
