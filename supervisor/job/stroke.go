package job

import (
	"context"
	"errors"
	"io"
	"math"

	"beltwarden/supervisor/gcode"
)

// Stroke is where a move goes over the belt, as its surface lies when the part begins. All in mm.
type Stroke struct {
	// FromXMM and ToXMM are across the belt, FromAlongMM and ToAlongMM along it, + away from the
	// drop edge, from where the nozzle stands when the part begins.
	FromXMM, FromAlongMM, ToXMM, ToAlongMM float64
}

// maxStrokesDrawn bounds a section's drawing; beyond it moves that end within pathGridMM of others
// are all that is left out.
const (
	maxStrokesDrawn = 6000
	pathGridMM      = 0.5
)

// Strokes reads a section again and returns where it extrudes; for the lead-out, which extrudes
// nothing, where it goes. Duplicates are left out.
func (p *Plan) Strokes(ctx context.Context, kind SectionKind, o Options) ([]Stroke, error) {
	o, err := o.complete()
	if err != nil {
		return nil, err
	}
	r, err := p.Open(kind)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	st := gcode.NewState()
	switch kind {
	case Body:
		st = p.Begin
	case LeadOut:
		st = p.End
	}
	origin, sign := p.Begin.MachineMM(o.BeltAxis), float64(o.Forward)
	seen := map[[4]int]bool{}
	var list []Stroke
	var line []byte
	var l gcode.Line
	var e gcode.Effect
	for n := 0; len(list) < maxStrokesDrawn; n++ {
		if n%4096 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		line, err = r.Next(line[:0])
		if errors.Is(err, io.EOF) {
			return list, nil
		}
		if err != nil {
			return nil, err
		}
		if err := l.Parse(line); err != nil {
			return nil, err
		}
		x, along := st.MachineMM(gcode.X), sign*(st.MachineMM(o.BeltAxis)-origin)
		if err := st.ApplyLine(&l, &e); err != nil {
			return nil, err
		}
		if e.Kind != gcode.KindMove || !e.Extruding && kind != LeadOut {
			continue
		}
		s := Stroke{x, along, st.MachineMM(gcode.X), sign * (st.MachineMM(o.BeltAxis) - origin)}
		if s.FromXMM == s.ToXMM && s.FromAlongMM == s.ToAlongMM {
			continue
		}
		cell := func(mm float64) int { return int(math.Round(mm / pathGridMM)) }
		key := [4]int{cell(s.FromXMM), cell(s.FromAlongMM), cell(s.ToXMM), cell(s.ToAlongMM)}
		if !seen[key] {
			seen[key] = true
			list = append(list, s)
		}
	}
	return list, nil
}
