package chart

// SetupSight is what is known of a belt that is being set up.
type SetupSight struct {
	Forward  int     // +1: a positive move goes to the drop edge, -1: away from it, 0: not known
	ToDropMM float64 // 0: not known
	MarkMM   float64 // how far the mark is from the nozzle; 0: none
}

// setupMarginPX is left free at either side of the belt.
const setupMarginPX = 50

// Setup draws a belt from the side: which way is the drop edge, and what a positive move does.
func Setup(widthPX float64, v SetupSight) *Drawing {
	const heightPX, beltY = 190, 105
	ways := map[int]string{1: "+ moves to the drop edge", -1: "+ moves away from the drop edge", 0: "+ moves one of these ways: which is not known"}
	desc := "The belt from the side. The nozzle is at the left, the drop edge at the right. " + ways[v.Forward] + "."
	if v.ToDropMM > 0 {
		desc += " The drop edge is " + Figure(v.ToDropMM, 0) + " mm from the nozzle."
	}
	d := New(widthPX, heightPX, "Which way the belt moves", desc)
	left, right := setupMarginPX/2.0, widthPX-setupMarginPX
	nozzle := left + 0.25*(right-left)
	d.Rect("chart-belt", Box{left, beltY, right - left, 8})
	d.Line("chart-line", Point{left, beltY}, Point{right, beltY})
	d.Line("chart-edge", Point{right, beltY - 10}, Point{right, beltY + 34})
	d.Arrow("chart-thin", Point{right + 12, beltY - 4}, Point{right + 12, beltY + 34})
	d.Path("chart-line", []Point{{nozzle - 9, beltY - 52}, {nozzle + 9, beltY - 52}, {nozzle, beltY - 30}}, true)
	d.Text("chart-text", Point{nozzle, beltY - 60}, Middle, "nozzle, lifted")
	d.Text("chart-text", Point{right, beltY + 52}, End, "drop edge")
	d.Text("chart-soft", Point{left, beltY + 30}, Start, "away")
	if v.MarkMM > 0 {
		x := nozzle + (right-nozzle)*min(1, v.MarkMM/max(v.MarkMM*1.4, v.ToDropMM, 100))
		d.Line("chart-first", Point{x, beltY - 14}, Point{x, beltY})
		d.Text("chart-text", Point{x, beltY - 18}, Middle, Figure(v.MarkMM, 0)+" mm")
	}
	y := float64(beltY + 74)
	if v.Forward >= 0 {
		d.Arrow("chart-line", Point{nozzle, y - 20}, Point{nozzle + 40, y - 20})
	}
	if v.Forward <= 0 {
		d.Arrow("chart-line", Point{nozzle - 4, y - 20}, Point{nozzle - 44, y - 20})
	}
	d.Text("chart-text", Point{widthPX / 2, y}, Middle, ways[v.Forward])
	return d
}
