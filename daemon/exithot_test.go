package main

import (
	"fmt"
	"io"
	"testing"

	"beltwarden/supervisor"
)

// TestAHotEndHasItsStatus: whoever ends the daemon learns by the status that the heaters were not
// shown to be off.
func TestAHotEndHasItsStatus(t *testing.T) {
	if got := tell(io.Discard, fmt.Errorf("cannot stop the run: %w within 3m0s", supervisor.ErrHot)); got != exitHot {
		t.Errorf("status %d, want %d", got, exitHot)
	}
}
