// Package app builds the daemon from its settings, starts it and takes it down
// again in the opposite order, so that a test can run the whole of it in-process.
package app

import (
	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/serialio"
	"beltwarden/supervisor"
)

// Options say what to build.
type Options struct {
	// Config are the settings of the configuration file; required.
	Config *config.Settings
	// Opener opens the port of the board; nil is [serialio.OpenDevice].
	Opener serialio.Opener
	// Log receives the daemon's log; nil makes one from Config that writes to
	// standard error.
	Log *zap.Logger
	// Version is what the build calls itself, shown in the metrics.
	Version string
	// Alter, when not nil, may change the settings of the run before it begins, as
	// the demo does to shorten its waits.
	Alter func(*supervisor.Settings)
}
