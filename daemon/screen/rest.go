package screen

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"beltwarden/daemon/chart"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// heatView is the newest reading of both heaters.
type heatView struct {
	Heaters []heaterView
	Age     string // of the reading, when it is old
	Unsure  bool
	Proof   string // after a fault: whether readings have shown that the heaters are off
	Proved  bool
}

type heaterView struct{ Name, Text, SVG string }

func heatOf(s *supervisor.Snapshot) heatView {
	h := &s.Heat
	v := heatView{Unsure: h.Unsure}
	if s.State == supervisor.Aborting || s.State == supervisor.Aborted {
		v.Proof, v.Proved = h.Proof, h.Proved
	}
	if h.Read.IsZero() {
		return v
	}
	add := func(name string, has bool, nowC, targetC, topC float64) {
		if !has {
			return
		}
		text := fmt.Sprintf("%.0f °C, off", nowC)
		if targetC > 0 {
			text = fmt.Sprintf("%.0f °C of %.0f °C", nowC, targetC)
		}
		v.Heaters = append(v.Heaters, heaterView{name, text, thermometer(name+": "+text, nowC, targetC, topC)})
	}
	add("Nozzle", h.HasNozzle, h.NozzleC, h.NozzleTargetC, 300)
	add("Bed", h.HasBed, h.BedC, h.BedTargetC, 120)
	if age := s.At.Sub(h.Read); age > time.Minute || !s.Line.Connected {
		v.Age = "Read " + wording.Span(age) + " ago."
	}
	return v
}

// thermometer draws a temperature on a scale from 0, with its target.
func thermometer(title string, nowC, targetC, topC float64) string {
	const width, y = 300.0, 8.0
	topC = max(topC, nowC, targetC)
	x := func(c float64) float64 { return 4 + (width-8)*min(1, max(0, c/topC)) }
	d := chart.New(width, 24, title, fmt.Sprintf("Scale: 0 to %.0f °C. The mark is the target.", topC))
	d.Rect("chart-belt", chart.Box{X: 4, Y: y, W: width - 8, H: 10})
	d.Rect("chart-part", chart.Box{X: 4, Y: y, W: x(nowC) - 4, H: 10})
	if targetC > 0 {
		d.Line("chart-edge", chart.Point{X: x(targetC), Y: y - 6}, chart.Point{X: x(targetC), Y: y + 14})
	}
	return d.Fragment()
}

// pace measures how many lines a second the board takes, from two looks at its count.
type pace struct {
	mu     sync.Mutex
	at     time.Time
	lines  uint64
	perSec float64
	known  bool
}

// Looks closer together than this are too few lines, and ones further apart too long ago.
const (
	paceAfter  = 2 * time.Second
	paceWithin = 30 * time.Second
)

// look takes a count and returns the newest pace.
func (p *pace) look(at time.Time, lines uint64) (perSec float64, known bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch gap := at.Sub(p.at); {
	case p.at.IsZero() || gap > paceWithin || gap < 0 || lines < p.lines:
		p.at, p.lines, p.known = at, lines, false
	case gap >= paceAfter:
		p.perSec, p.known = float64(lines-p.lines)/gap.Seconds(), true
		p.at, p.lines = at, lines
	}
	return p.perSec, p.known
}

// row is a name with what is to be said of it.
type row struct{ Name, Text string }

type lineView struct {
	Connected     bool
	Port, Problem string
	Rows          []row
}

func (sc *screen) lineOf(s *supervisor.Snapshot) lineView {
	l := &s.Line
	v := lineView{Connected: l.Connected, Port: l.Port, Problem: sentence(l.Problem)}
	if !l.Connected {
		return v
	}
	t := &l.Stats
	text := "not measured yet"
	if perSec, known := sc.pace.look(s.At, t.LinesAccepted); known {
		text = fmt.Sprintf("%.0f lines/s", perSec)
	}
	v.Rows = append(v.Rows, row{"Speed", text}, row{"Resent", fmt.Sprintf("%d of %d lines", t.Resends, t.LinesSent)})
	if n := t.RoundTrips.Lines(); n > 0 {
		v.Rows = append(v.Rows, row{"Round trip", fmt.Sprintf("%.1f ms on average", float64(t.RoundTrips.Sum.Microseconds())/float64(n)/1000)})
	}
	if t.Garbled > 0 || t.Timeouts > 0 {
		v.Rows = append(v.Rows, row{"Trouble", fmt.Sprintf("%s unreadable, %d late", wording.Count(int(t.Garbled), "reply"), t.Timeouts)})
	}
	if l.Firmware != "" {
		v.Rows = append(v.Rows, row{"Board", boardName(l.Firmware)})
	}
	if t.Hint != "" {
		v.Rows = append(v.Rows, row{"Faster", sentence(t.Hint)})
	}
	return v
}

// furtherKey begins the next figure in what a board reports of itself.
var furtherKey = regexp.MustCompile(` [A-Z_]+:`)

// boardName is the first of what a board reports of itself: its name.
func boardName(firmware string) string {
	_, name, found := strings.Cut(firmware, ":")
	if !found {
		name = firmware
	}
	if at := furtherKey.FindStringIndex(name); at != nil {
		name = name[:at[0]]
	}
	return wording.Printable(strings.TrimSpace(name))
}

func supplyOf(s *supervisor.Snapshot) []row {
	v := &s.Supply
	spool := "not weighed: enter its mass at a visit, and the machine waits before it runs out"
	if v.SpoolLeftG != nil {
		spool = fmt.Sprintf("%.0f g left", max(0, *v.SpoolLeftG))
		if v.PartG > 0 {
			spool += ", for " + wording.Count(int(max(0, *v.SpoolLeftG)/v.PartG), "part")
		}
	}
	bin := "not watched"
	switch {
	case v.Binned != nil && v.BinHolds > 0:
		bin = fmt.Sprintf("%s of %d since emptied", wording.Count(*v.Binned, "part"), v.BinHolds)
	case v.Binned != nil:
		bin = wording.Count(*v.Binned, "part") + " since emptied"
	}
	list := []row{{"Spool", spool}, {"Bin", bin}}
	for _, c := range s.Care {
		list = append(list, row{c.Name, wording.CareText(c)})
	}
	if v.DiskLow && v.DiskFreeBytes != nil {
		list = append(list, row{"Ledger's disk", fmt.Sprintf("nearly full: %d MB left", *v.DiskFreeBytes/1e6)})
	}
	return list
}

// eventView is one thing that happened.
type eventView struct{ At, Kind, Text string }

// eventsOf puts events in words, the newest first.
func eventsOf(events []ledger.Event, now time.Time) (list []eventView) {
	for _, e := range slices.Backward(events) {
		list = append(list, eventView{wording.Clock(e.Stamp.At, now), e.Kind, sentence(wording.Printable(e.Text))})
	}
	return list
}
