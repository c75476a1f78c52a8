package picture

import "beltwarden/daemon/chart"

// Diagram draws one plot with a heading above and its figures in words below, which are
// its text alternative too.
func Diagram(heading, title, note string, p chart.Plot) *chart.Drawing {
	const left, plotHeight = 16, 320
	wrapped := chart.Wrap(note, WidthPX-2*left)
	d := chart.New(WidthPX, 40+plotHeight+16+18*float64(len(wrapped))+8, title, note)
	d.Text("chart-head", chart.Point{X: left, Y: 26}, chart.Start, chart.Wrap(heading, WidthPX-2*left)[0])
	d.Plot(chart.Box{X: left, Y: 40, W: WidthPX - 2*left, H: plotHeight}, p)
	for i, line := range wrapped {
		d.Text("chart-soft", chart.Point{X: left, Y: 40 + plotHeight + 20 + 18*float64(i)}, chart.Start, line)
	}
	return d
}
