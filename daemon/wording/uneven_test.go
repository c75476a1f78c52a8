package wording_test

import (
	"strings"
	"testing"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor/belt"
)

// TestUnevenText: what a mark gains is said where readings all over the loop scatter, and nothing
// where they do not.
func TestUnevenText(t *testing.T) {
	for _, c := range []struct {
		share, sd float64
		want      string
	}{
		{0.8, 0.7, "the belt's edge is uneven: readings scatter by 0.7 mm; read it at the same mark each time, and the belt may run twice as far between checks, or further"},
		{0.8, 0.2, ""},
		{0.01, 0.7, ""},
		{0.3, 0.2, "all readings come from 30 % of the belt's loop"},
	} {
		got := wording.UnevenText(&belt.Forecast{N: 8, LoopShare: &c.share, ResidualSDMM: &c.sd})
		if !strings.HasPrefix(got, c.want) || c.want == "" && got != "" {
			t.Errorf("%g of the loop, scatter of %g mm: %q", c.share, c.sd, got)
		}
	}
}
