package screen

import "beltwarden/daemon/chart"

// offsetPicture shows what the lateral offset is, where it is read, and which side is plus.
func offsetPicture() string {
	const width, height = 360.0, 196.0
	d := chart.New(width, height, "What the lateral offset is",
		"You stand where you always stand and look at the belt. A steel rule is fixed to the frame across the belt's right-hand edge. "+
			"The offset is the distance of that edge from where it was when the belt tracked correctly: plus to the right, minus to the left.")
	const left, edge, top, bottom = 70.0, 250.0, 14.0, 130.0
	d.Rect("chart-belt", chart.Box{X: left, Y: top, W: edge - left, H: bottom - top})
	d.Line("chart-thin", chart.Point{X: left, Y: top}, chart.Point{X: left, Y: bottom})
	d.Line("chart-line", chart.Point{X: edge, Y: top}, chart.Point{X: edge, Y: bottom})
	d.Line("chart-second", chart.Point{X: edge - 18, Y: top - 8}, chart.Point{X: edge - 18, Y: bottom + 8})
	d.Rect("chart-ground", chart.Box{X: edge - 62, Y: 62, W: 116, H: 18})
	d.Rect("chart-made", chart.Box{X: edge - 62, Y: 62, W: 116, H: 18})
	for x := edge - 58; x < edge+52; x += 8 {
		d.Line("chart-thin", chart.Point{X: x, Y: 62}, chart.Point{X: x, Y: 69})
	}
	d.Text("chart-soft", chart.Point{X: edge + 58, Y: 76}, chart.Start, "rule")
	d.Arrow("chart-third", chart.Point{X: edge - 18, Y: 100}, chart.Point{X: edge, Y: 100})
	d.Text("chart-head", chart.Point{X: edge + 8, Y: 104}, chart.Start, "offset +")
	d.Text("chart-soft", chart.Point{X: edge - 26, Y: 150}, chart.End, "edge as tracked: 0")
	d.Text("chart-text", chart.Point{X: edge + 2, Y: 150}, chart.Start, "edge now")
	d.Text("chart-soft", chart.Point{X: left + 8, Y: 34}, chart.Start, "belt")
	d.Arrow("chart-thin", chart.Point{X: 160, Y: 184}, chart.Point{X: 70, Y: 184})
	d.Arrow("chart-thin", chart.Point{X: 200, Y: 184}, chart.Point{X: 290, Y: 184})
	d.Text("chart-text", chart.Point{X: 62, Y: 189}, chart.End, "minus")
	d.Text("chart-text", chart.Point{X: 298, Y: 189}, chart.Start, "plus")
	d.Text("chart-soft", chart.Point{X: 180, Y: 189}, chart.Middle, "you")
	return d.Fragment()
}
