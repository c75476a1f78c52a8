package picture

import (
	"context"
	"fmt"
	"math"

	"beltwarden/daemon/chart"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// Paths are where the three sections of a job extrude, or go.
type Paths struct{ LeadIn, Body, LeadOut []job.Stroke }

// PathsOf goes through the file once more.
func PathsOf(ctx context.Context, p *job.Plan, o job.Options) (all Paths, err error) {
	for _, s := range []struct {
		kind job.SectionKind
		list *[]job.Stroke
	}{{job.LeadIn, &all.LeadIn}, {job.Body, &all.Body}, {job.LeadOut, &all.LeadOut}} {
		if *s.list, err = p.Strokes(ctx, s.kind, o); err != nil {
			return Paths{}, err
		}
	}
	return all, nil
}

// pathView is the plan of the three, seen as the belt is: the drop edge at the right.
type pathView struct {
	p       *job.Plan
	all     Paths
	highXUp bool
	box     [4]float64 // along from and to, X from and to; along towards the drop edge
	any     bool
}

func newPathView(p *job.Plan, o job.Options, all Paths) *pathView {
	v := &pathView{p: p, all: all, highXUp: (o.Forward >= 0) == (o.BeltAxis == gcode.Y), box: [4]float64{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}}
	for _, list := range [][]job.Stroke{all.LeadIn, all.Body, all.LeadOut} {
		for _, s := range list {
			v.any = true
			for _, q := range [2][2]float64{{-s.FromAlongMM, s.FromXMM}, {-s.ToAlongMM, s.ToXMM}} {
				v.box[0], v.box[1] = min(v.box[0], q[0]), max(v.box[1], q[0])
				v.box[2], v.box[3] = min(v.box[2], q[1]), max(v.box[3], q[1])
			}
		}
	}
	return v
}

const pathMaxPX = 260 // how high the plan is at most

// draw returns how high it gets from y on.
func (v *pathView) draw(d *chart.Drawing, y, widthPX float64) float64 {
	const left = 16
	if !v.any {
		d.Text("chart-soft", chart.Point{X: left, Y: y + 14}, chart.Start, "nothing is extruded")
		return 24
	}
	long, wide := max(1, v.box[1]-v.box[0]), max(1, v.box[3]-v.box[2])
	per := min((widthPX-2*left)/long, pathMaxPX/wide)
	at := func(along, x float64) chart.Point {
		py := v.box[3] - x
		if !v.highXUp {
			py = x - v.box[2]
		}
		return chart.Point{X: left + (-along-v.box[0])*per, Y: y + py*per}
	}
	lines := func(class string, list []job.Stroke) {
		for k := 0; k < len(list); {
			points := []chart.Point{at(list[k].FromAlongMM, list[k].FromXMM)}
			for {
				points = append(points, at(list[k].ToAlongMM, list[k].ToXMM))
				if k++; k == len(list) || list[k].FromXMM != list[k-1].ToXMM || list[k].FromAlongMM != list[k-1].ToAlongMM {
					break
				}
			}
			d.Path(class, points, false)
		}
	}
	lines("chart-first", v.all.Body)
	lines("chart-second", v.all.LeadIn)
	lines("chart-third chart-dots", v.all.LeadOut)
	high := wide*per + 22
	for _, row := range v.rows() {
		d.Line(row.class, chart.Point{X: left, Y: y + high - 4}, chart.Point{X: left + 40, Y: y + high - 4})
		for _, line := range chart.Wrap(row.text, widthPX-2*left-50) {
			d.Text("chart-text", chart.Point{X: left + 50, Y: y + high}, chart.Start, line)
			high += 20
		}
	}
	return high
}

type pathRow struct{ class, text string }

// rows are the legend.
func (v *pathView) rows() []pathRow {
	lines := func(s *job.Section) string {
		if s.LastLine < s.FirstLine {
			return "no line"
		}
		return fmt.Sprintf("lines %d to %d", s.FirstLine, s.LastLine)
	}
	return []pathRow{
		{"chart-second", "lead-in, extruded once: " + lines(&v.p.LeadIn)},
		{"chart-first", "the part, made again and again: " + lines(&v.p.Body)},
		{"chart-third chart-dots", "lead-out, where the head goes after the last part: " + lines(&v.p.LeadOut)},
	}
}
