package job

import (
	"context"
	"errors"
	"io"
	"testing"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/motion"
)

// What planning costs for each move of the real job's body.
func BenchmarkPlannerOnRealJob(b *testing.B) {
	p, err := Inspect(context.Background(), jobs+"buttons.gcode", upright, nil)
	if err != nil {
		b.Fatal(err)
	}
	r, err := p.Open(Body)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	st, moves := p.Begin, []motion.Move(nil)
	var line []byte
	for {
		if line, err = r.Next(line[:0]); errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			b.Fatal(err)
		}
		e, err := st.Apply(line)
		if err != nil {
			b.Fatal(err)
		}
		if e.Kind != gcode.KindMove || e.PathMM == 0 {
			continue
		}
		m := motion.Move{PathMM: e.PathMM, SpeedMMPerS: e.FeedMMPerMin / 60}
		for a := range m.DeltaMM {
			m.DeltaMM[a] = e.Delta(gcode.Axis(a))
		}
		if e.Extruding {
			m.Kind = motion.Print
		}
		moves = append(moves, m)
	}
	if len(moves) < 30000 {
		b.Fatalf("%d moves", len(moves))
	}
	b.ReportAllocs()
	i, planner := 0, motion.NewPlanner(motion.Default)
	for b.Loop() {
		planner.Push(&moves[i])
		if i++; i == len(moves) {
			i = 0
		}
	}
}
