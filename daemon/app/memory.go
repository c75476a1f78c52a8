package app

import (
	"context"
	"runtime/debug"
	"time"
)

// trimEvery is how often memory is given back while the machine is at rest. It takes some milliseconds.
const trimEvery = time.Minute

// startMemoryTrim gives back what the start, or a page of the screen, has left on the heap. While the
// machine acts nothing is touched: its lines come first.
func (a *App) startMemoryTrim() {
	a.startBackground("memory trim", func(ctx context.Context) {
		repeat(ctx, trimEvery, func() {
			if !a.run.Snapshot().State.Acting() {
				debug.FreeOSMemory()
			}
		})
	})
}
