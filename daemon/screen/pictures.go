package screen

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"beltwarden/daemon/chart"
	"beltwarden/daemon/picture"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/quality"
)

// picturePX is how wide the screen's pictures are made: on a telephone their letters are
// then as large as they were made.
const picturePX = 400

// pictureView is a picture with what is said beside it.
type pictureView struct {
	SVG   string
	Lines []string
	Table table // the same as a table, for those who cannot see the picture
}

type table struct {
	Head []string
	Rows [][]string
}

// usualWidthMM is drawn where neither the machine's range nor a part shows how wide the
// belt is.
const usualWidthMM = 200

// beltOf draws the belt as it is.
func (sc *screen) beltOf(s *supervisor.Snapshot) pictureView {
	v := &chart.LiveBelt{ToDropMM: s.Belt.ToDropMM, SeamAheadMM: s.Belt.SeamAheadMM, SeamMM: s.Belt.SeamMM, SeamDoubtMM: s.Belt.SeamDoubtMM,
		OffsetMM: s.Belt.OffsetMM, LimitMM: s.Belt.OffsetLimitMM,
		HighXRight: (sc.Job.Forward >= 0) == (sc.Job.BeltAxis == gcode.Y)}
	low, high := math.Inf(1), math.Inf(-1)
	// Which parts a person has looked at is counted, not recorded: the newest are those that nobody has.
	open := 0
	if s.Lot != nil {
		open = s.Lot.Unverified
	}
	list := slices.Clone(s.Belt.Parts)
	slices.Reverse(list)
	if s.Belt.NextPart != nil {
		list = append(list, *s.Belt.NextPart)
	}
	for i, p := range list {
		if p.XMM[1] > p.XMM[0] {
			low, high = math.Min(low, p.XMM[0]), math.Max(high, p.XMM[1])
		}
		part := chart.LivePart{RearMM: p.RearMM, FrontMM: p.FrontMM, LowXMM: p.XMM[0], HighXMM: p.XMM[1]}
		if p.Ordinal > 0 {
			part.Label = fmt.Sprintf("part %d", p.Ordinal)
		}
		switch {
		case i == len(s.Belt.Parts):
			part.State, part.Label = chart.NextPart, "next part"
		case p.Making:
			part.State = chart.Making
		case p.Interrupted:
			part.State = chart.Interrupted
		case s.Lot != nil && p.LotID == s.Lot.ID && open > 0:
			part.State, open = chart.NotLookedAt, open-1
		default:
			part.State = chart.LookedAt
		}
		v.Parts = append(v.Parts, part)
	}
	slices.Reverse(v.Parts) // the first made first, as they lie
	switch r := sc.Job.RangeMM[gcode.X]; {
	case r[1] > r[0]:
		v.LowXMM, v.HighXMM = r[0], r[1]
	case high > low:
		margin := math.Max(10, (high-low)/4)
		v.LowXMM, v.HighXMM = low-margin, high+margin
	default:
		v.HighXMM = usualWidthMM
	}
	out := pictureView{Lines: beltLines(s)}
	box := chart.Box{Y: 4, W: picturePX}
	height := chart.New(picturePX, 0, "", "").Live(box, v) + 8 // drawn twice: the first time shows how high it gets
	d := chart.New(picturePX, height, "The belt as it is now", v.Describe())
	d.Live(box, v)
	out.SVG = d.Fragment()
	return out
}

func beltLines(s *supervisor.Snapshot) (lines []string) {
	b := &s.Belt
	lines = append(lines, fmt.Sprintf("Belt travel: %s since the realignment, %s since the last check, %s in all.",
		wording.Metres(b.SinceRealignMM), wording.Metres(b.SinceCheckMM), wording.Metres(b.TravelMM)))
	if !b.Clear {
		lines = append(lines, "Something may be under the head: clear the belt before you start.")
	}
	if b.UncertainMM > 0 {
		lines = append(lines, "Uncertain travel: "+wording.Metres(b.UncertainMM)+".")
	}
	if text := wording.SeamText(b); text != "" {
		lines = append(lines, "Seam: "+text+".")
	}
	if v := b.Surface; v != nil {
		lines = append(lines, fmt.Sprintf("Surface %s %s, %s of belt travel ago.", v.How, wording.Clock(v.At, s.At), wording.Metres(v.TravelMM)))
	}
	return lines
}

// driftOf draws the lateral offset with its forecast.
func driftOf(s *supervisor.Snapshot) pictureView {
	b := &s.Belt
	now := belt.Reading{TravelMM: b.TravelMM, AdvanceMM: b.AdvanceMM}
	var out pictureView
	if b.OffsetMM == nil {
		out.Lines = append(out.Lines, fmt.Sprintf("No offset read since the realignment. At the assumed rate it may be %.1f mm by now. The limit is %.1f mm.", b.WorstOffsetMM, b.OffsetLimitMM))
	} else if b.Drift.Basis == belt.OnReadings {
		out.Lines = append(out.Lines, sentence(wording.DriftText(&b.Drift))+".")
		if text := wording.UnevenText(&b.Drift); text != "" {
			out.Lines = append(out.Lines, sentence(text)+".")
		}
	} else {
		out.Lines = append(out.Lines, fmt.Sprintf("%+.1f mm at the last check. At the assumed rate it may be up to %.1f mm by now. The limit is %.1f mm.", *b.OffsetMM, b.WorstOffsetMM, b.OffsetLimitMM))
	}
	for _, flag := range b.Drift.Flagged {
		out.Lines = append(out.Lines, "Doubtful: "+flag.String()+"; measure again.")
	}
	if len(b.Readings) == 0 {
		return out
	}
	out.SVG = plot("Lateral offset of the belt", strings.Join(out.Lines, " "), picture.Drift(b.Outlook, b.Readings, now, &b.Drift, b.UncertainMM))
	out.Table = table{Head: []string{"Belt travel, m", "Lateral offset, mm"}}
	for _, r := range newest(b.Readings, 20) {
		out.Table.Rows = append(out.Table.Rows, []string{chart.Figure(r.TravelMM/1000, 3), fmt.Sprintf("%+.1f", r.OffsetMM)})
	}
	return out
}

// plot draws a diagram alone, without heading, since the section has one.
func plot(title, desc string, p chart.Plot) string {
	const height = 330
	d := chart.New(picturePX, height, title, desc)
	d.Plot(chart.Box{X: 2, Y: 6, W: picturePX - 6, H: height - 10}, p)
	return d.Fragment()
}

// newest returns the last few of a list.
func newest[T any](list []T, n int) []T { return list[max(0, len(list)-n):] }

// sizesOf draws the control chart of each job that has lengths.
func sizesOf(s *supervisor.Snapshot) (list []pictureView) {
	const shown = 60
	if s.Lot == nil {
		return nil
	}
	for i := range s.Lot.Jobs {
		j := &s.Lot.Jobs[i]
		if j.Size == nil {
			continue
		}
		v := j.Size
		out := pictureView{Lines: []string{sentence(wording.SizeText(v, j.Name)) + "."}}
		if s.Lot.SizeSignal != "" {
			out.Lines = append(out.Lines, "Signal: "+s.Lot.SizeSignal+".")
		}
		values := newest(v.ValuesMM, shown)
		sizes := sizesView(v, values)
		for _, line := range sizes.Describe(" mm") {
			out.Lines = append(out.Lines, line+".")
		}
		out.SVG = plot("Control chart of the lengths of "+j.Name, strings.Join(out.Lines, " "), sizes.Plot())
		out.Table = table{Head: []string{"Part measured", "Length, mm"}}
		for k, mm := range newest(values, 20) {
			out.Table.Rows = append(out.Table.Rows, []string{fmt.Sprint(int(v.N) - len(newest(values, 20)) + 1 + k), chart.Figure(mm, 2)})
		}
		list = append(list, out)
	}
	return list
}

// sizesView is the control chart of the newest lengths of a job.
func sizesView(v *book.Size, values []float64) picture.Sizes {
	c := picture.Sizes{Values: values, First: int(v.N) - len(values) + 1, XTitle: "part measured, number", YTitle: "length along the belt, mm", Signals: v.Signals}
	if o := v.Ordered; o != nil {
		c.Nominal, c.Ordered = o.LengthMM, &quality.Tolerance{Lower: o.LengthMM - o.ToleranceMM, Upper: o.LengthMM + o.ToleranceMM}
	}
	if v.Phase == quality.Frozen {
		c.Limits = &picture.Limits{Lower: v.LowerMM, Mean: v.MeanMM, Upper: v.UpperMM, Base: [2]int{int(v.Base[0]), int(v.Base[1])}}
	}
	return c
}
