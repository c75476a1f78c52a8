package picture

import (
	"fmt"
	"path"
	"strings"
	"time"

	"beltwarden/daemon/chart"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// Widths of pictures: of a file, and of a page that a telephone shows too, on which letters then have 12 px.
const (
	WidthPX = 560
	PagePX  = 400
)

// Job draws a job: the belt from above as a cycle begins, where lead-in, part and lead-out go, and
// the belt's place over one cycle. advanceFeed is that of the discharge, mm/min.
func Job(p *job.Plan, track []job.TrackPoint, all Paths, o job.Options, advanceFeed, widthPX float64) *chart.Drawing {
	view, paths := beltView(p, o), newPathView(p, o, all)
	cycle := cycleTrack(p, track, advanceFeed)
	name := path.Base(p.Path)
	title := "What " + name + " does on the belt"
	// Drawn twice: the first time shows how high it gets.
	height := drawJob(chart.New(widthPX, 0, "", ""), name, view, paths, cycle, widthPX)
	text := describe(p, view, cycle)
	for _, row := range paths.rows() {
		text += " " + strings.ToUpper(row.text[:1]) + row.text[1:] + "."
	}
	d := chart.New(widthPX, height, title, text)
	drawJob(d, name, view, paths, cycle, widthPX)
	return d
}

// boldShare is how much of a line's width letters of a heading may be reckoned to fill: they are bolder
// than those that [chart.TextWidth] measures.
const boldShare = 0.87

// drawJob draws all parts and returns how high they are together, px.
func drawJob(d *chart.Drawing, name string, view *chart.BeltView, paths *pathView, c *cycleChart, widthPX float64) float64 {
	const left, plotHeight = 16, 290
	y := 26.0
	for _, line := range chart.Wrap(name+": the belt from above, as a cycle begins", boldShare*(widthPX-2*left)) {
		d.Text("chart-head", chart.Point{X: left, Y: y}, chart.Start, line)
		y += 20
	}
	y += d.Belt(chart.Box{Y: y, W: widthPX}, view) + 30
	d.Text("chart-head", chart.Point{X: left, Y: y}, chart.Start, "Where the nozzle goes over it")
	y += 14
	y += paths.draw(d, y, widthPX) + 26
	d.Text("chart-head", chart.Point{X: left, Y: y}, chart.Start, "Where the belt is, over one cycle")
	y += 12
	d.Plot(chart.Box{X: left, Y: y, W: widthPX - 2*left, H: plotHeight}, c.plot)
	y += plotHeight + 16
	for _, line := range chart.Wrap(c.note, widthPX-2*left) {
		d.Text("chart-soft", chart.Point{X: left, Y: y}, chart.Start, line)
		y += 18
	}
	return y
}

// beltView places the part on the belt. Placing counts away from the drop edge, the
// view towards it.
func beltView(p *job.Plan, o job.Options) *chart.BeltView {
	v := &chart.BeltView{
		ToDropMM: p.Placing.ToDropMM, RearMM: -p.Placing.FootprintMM[1], FrontMM: -p.Placing.FootprintMM[0],
		LowXMM: p.ExtentMM.X[0], HighXMM: p.ExtentMM.X[1],
		// Axes are right-handed. Seen from above with the drop edge at the right, X
		// points up when Y grows away from it; on a tilted gantry, whose Z lies along
		// the belt and whose Y rises, it is the other way.
		HighXUp: (o.Forward >= 0) == (o.BeltAxis == gcode.Y),
		PitchMM: p.PitchMM, SeamMM: o.SeamMM, AheadMM: p.Placing.AheadOfNozzleMM,
	}
	for _, h := range o.Head {
		v.Head = append(v.Head, chart.HeadStep(h))
	}
	return v
}

// cycleChart is the plot of one cycle, and what is said under it and of it.
type cycleChart struct {
	plot      chart.Plot
	note      string
	advanceMM float64       // of the discharge
	advance   time.Duration // what that takes at its feed
	lowMM     float64       // furthest back and furthest forward
	highMM    float64
}

// cycleTrack makes the plot: the belt's place while the part is made, then the
// advance of the discharge.
func cycleTrack(p *job.Plan, track []job.TrackPoint, advanceFeed float64) *cycleChart {
	c := &cycleChart{advanceMM: max(0, p.PitchMM-p.BeltAdvanceMM)}
	if advanceFeed > 0 {
		c.advance = time.Duration(c.advanceMM / advanceFeed * float64(time.Minute))
	}
	unit, per, word := "s", 1.0, "seconds"
	if p.Duration+c.advance > 5*time.Minute {
		unit, per, word = "min", 60.0, "minutes"
	}
	body := chart.Series{Name: "making the part", Class: "chart-first", Steps: true}
	if len(track) > 0 {
		body.Samples = append(body.Samples, chart.Sample{Min: track[0].MinMM, Max: track[0].MaxMM})
	}
	for _, t := range track {
		body.Samples = append(body.Samples, chart.Sample{X: t.At.Seconds() / per, Min: t.MinMM, Max: t.MaxMM})
		c.lowMM, c.highMM = min(c.lowMM, t.MinMM), max(c.highMM, t.MaxMM)
	}
	c.plot = chart.Plot{XTitle: "time, " + unit, YTitle: "belt position, mm", Empty: "the job does not move the belt"}
	if len(body.Samples) == 0 {
		c.note = "There is nothing to draw: no move of the part was found."
		return c
	}
	c.plot.Series = []chart.Series{body}
	if c.advanceMM > 0 {
		end := p.Duration.Seconds() / per
		c.plot.Series = append(c.plot.Series, chart.Series{Name: "discharge advance", Class: "chart-second", Samples: []chart.Sample{
			{X: end, Min: p.BeltAdvanceMM, Max: p.BeltAdvanceMM},
			{X: end + c.advance.Seconds()/per, Min: p.BeltAdvanceMM + c.advanceMM, Max: p.BeltAdvanceMM + c.advanceMM}}})
		c.highMM = max(c.highMM, p.BeltAdvanceMM+c.advanceMM)
	}
	c.note = fmt.Sprintf("The area is where the belt was within each stretch of time. Positions count from where the part begins, + towards the drop edge. Time in %s of motion: heating, and cooling before the discharge, come on top.", word)
	return c
}

// describe is the long text alternative: every figure of the picture.
func describe(p *job.Plan, v *chart.BeltView, c *cycleChart) string {
	f := func(mm float64) string { return chart.Figure(mm, 1) + " mm" }
	edge := "Where the drop edge lies is not known."
	if v.ToDropMM > 0 {
		edge = fmt.Sprintf("The drop edge is %s from the nozzle.", f(v.ToDropMM))
	}
	say := []string{"The belt from above, drawn to scale, as a cycle begins. The belt carries parts to the right. " + edge,
		fmt.Sprintf("The part to be made covers %s along the belt, from %s to %s ahead of the nozzle (less than 0 is behind it), and X %s to %s across.",
			f(v.LengthMM()), f(v.RearMM), f(v.FrontMM), f(v.LowXMM), f(v.HighXMM)),
		fmt.Sprintf("Parts follow each other at a pitch of %s, with %s of free belt between them. Finished parts on the belt: %d.", f(v.PitchMM), f(v.FreeMM()), v.Finished())}
	for _, h := range v.Head {
		say = append(say, fmt.Sprintf("Above %s over the nozzle's tip the head reaches %s in front of the nozzle and %s behind it.", f(h.AboveMM), f(h.FrontMM), f(h.BehindMM)))
	}
	if len(v.Head) == 0 {
		say = append(say, "The head's clearance is not configured and not drawn.")
	}
	if v.SeamMM > 0 {
		say = append(say, fmt.Sprintf("The belt's seam, %s wide, is drawn close behind the part, where it first matters.", f(v.SeamMM)))
	} else {
		say = append(say, "No seam is configured and none is drawn.")
	}
	if over := v.OverhangMM(); over > 0 {
		say = append(say, fmt.Sprintf("While it is printed the part reaches %s beyond the drop edge.", f(over)))
	}
	if s := p.Placing.Seam; s != nil {
		say = append(say, fmt.Sprintf("The belt is %s once round; parts between two passages of its seam: %d.", f(s.LoopMM), s.PartsPerLoop))
	}
	if v.ToDropMM > 0 {
		say = append(say, fmt.Sprintf("The first part falls in cycle %d; most finished parts on the belt at one time: %d.", p.Placing.FirstDropCycle, p.Placing.PartsOnBelt))
	}
	say = append(say, fmt.Sprintf("Below, the belt's position over one cycle: %s of motion in which the belt travels %s in all, between %s and %s from where the part begins, and ends at %s.",
		p.Duration.Round(100*time.Millisecond), f(p.BeltTravelMM), f(c.lowMM), f(c.highMM), f(p.BeltAdvanceMM)))
	if c.advanceMM > 0 {
		say = append(say, fmt.Sprintf("Then the discharge advances it by %s in %s.", f(c.advanceMM), c.advance.Round(100*time.Millisecond)))
	}
	return strings.Join(say, " ")
}
