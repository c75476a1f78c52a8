package supervisor

import (
	"testing"

	"beltwarden/supervisor/gcode"
)

// BenchmarkTrack measures following one line that is handed to the board.
func BenchmarkTrack(b *testing.B) {
	t := tracker{axis: gcode.Z, forward: 1}
	t.reset()
	line := []byte("G1 X10.14 Y34.18 E8.0273")
	b.ReportAllocs()
	for b.Loop() {
		if err := t.follow(line); err != nil {
			b.Fatal(err)
		}
		t.accept(1)
	}
}
