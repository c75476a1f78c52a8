package wording

import (
	"fmt"
	"strings"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/book"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// FullStatus writes all that is known about the run. It begins with what the reader
// came for: when someone must next be at the machine, why, and with how many parts.
func FullStatus(s *supervisor.Snapshot, st Style) []string {
	out := st.headline(s)
	add := func(lines []string) { out = append(out, lines...) }
	when, why := NextVisit(s)
	add(st.strongRow("Next visit", when))
	if why != "" {
		add(st.row("", why))
	}
	if n := s.Next; n != nil {
		if n.Unseen {
			add(st.row("  guess", "this machine's heating and cooling times are not known yet"))
		}
		if len(n.Bring) > 0 {
			add(st.row("  bring", strings.Join(n.Bring, ", ")))
		}
		if text := later(s); text != "" {
			add(st.row("  then", text))
		}
	}
	if s.Recovery != nil {
		add(recoveryRows(s.Recovery, st))
	}
	out = append(out, "")
	add(st.row("Machine", fmt.Sprintf("%s: %s for %s (since %s)", s.Machine, s.State, Span(s.At.Sub(s.Since)), Clock(s.Since, s.At))))
	if s.Clock != "" {
		add(st.strongRow("Clock", s.Clock))
	}
	if s.Cause.Text != "" {
		add(st.row("  why", s.Cause.Text))
	}
	if s.Doing != "" {
		add(st.row("  doing", s.Doing))
	}
	add(lotRows(s, st))
	add(beltRows(s, st))
	if text := SupplyText(&s.Supply); text != "" {
		add(st.row("Supply", text))
	}
	for i, c := range s.Care {
		name := ""
		if i == 0 {
			name = "Care"
		}
		add(st.row(name, c.Name+": "+CareText(c)))
	}
	add(st.row("Heat", heat(s)))
	if s.Heat.Unsure {
		add(st.strongRow("", "the heaters may be on and the board cannot be reached: switch the machine off at the mains"))
	}
	add(lineRows(s, st))
	add(st.row("Commands", strings.Join(s.Accepts, ", ")))
	return append(append(out, ""), st.doNow(s)...)
}

func lotRows(s *supervisor.Snapshot, st Style) []string {
	l := s.Lot
	if l == nil {
		return st.row("Lot", "none")
	}
	out := st.row("Lot", fmt.Sprintf("%d %s, %s", l.ID, l.Name, l.Status))
	out = append(out, st.row("  parts", l.Count().String())...)
	if l.Interrupted > 0 {
		out = append(out, st.strongRow("", Count(l.Interrupted, "interrupted part")+": decide whether good or scrap")...)
	}
	if len(l.Jobs) > 1 {
		for _, j := range l.Jobs {
			out = append(out, st.row("  job", fmt.Sprintf("%s, %s", j.Name, j.Count()))...)
		}
	}
	if l.Part > 0 {
		out = append(out, st.row("  part", part(s, barCells(st)))...)
	}
	if text := YieldText(l); text != "" {
		out = append(out, st.row("  yield", text)...)
	}
	for i := range l.Jobs {
		if v := l.Jobs[i].Size; v != nil {
			out = append(out, st.row("  size", SizeText(v, l.Jobs[i].Name))...)
		}
	}
	if !l.DoneAt.IsZero() && l.Wanted > 0 {
		out = append(out, st.row("  done", Done(l, s.At))...)
	}
	if text := ReadyText(l, s.At); text != "" {
		out = append(out, st.row("  ready", text)...)
	}
	return out
}

// ReadyText says when the ordered parts are there, with stops and scrap counted in, and what that
// rests on; "" where it cannot be said.
func ReadyText(l *supervisor.LotView, now time.Time) string {
	if l.Ready == nil {
		return ""
	}
	return fmt.Sprintf("%d good %s", l.Ordered, ReadyAt(l, now))
}

// ReadyAt is the same without the number.
func ReadyAt(l *supervisor.LotView, now time.Time) string {
	r := l.Ready
	if r == nil {
		return ""
	}
	text := "about " + Clock(r.At, now)
	if bounds := Between(r.Early, r.Late, r.Unseen, now); bounds != "" {
		text += ", " + bounds
	}
	switch {
	case r.Waits == 0 && r.Stops == 1:
		text += ", if you are there at once at the stop"
	case r.Waits == 0 && r.Stops > 1:
		text += fmt.Sprintf(", if you are there at once at each of %d stops", r.Stops)
	case r.Stops > 0:
		text += fmt.Sprintf(", with %s as long as the last %d (half of them under %s)", Count(r.Stops, "stop"), r.Waits, Span(r.Wait))
	}
	if r.Scrap > 0 {
		text += fmt.Sprintf(", and about %s for scrap", Count(r.Scrap, "more part"))
	}
	if r.Assumed {
		text += fmt.Sprintf(", if %.0f %% come out good", 100*r.Yield)
	}
	return text
}

// Done says when the last part of a lot is made.
func Done(l *supervisor.LotView, now time.Time) string {
	return DoneAt(l, now) + fmt.Sprintf("; holds not counted; %s still to begin", Count(l.Wanted, "part"))
}

// DoneAt is the time alone, with its bounds.
func DoneAt(l *supervisor.LotView, now time.Time) string {
	text := "about " + Clock(l.DoneAt, now)
	if bounds := Between(l.DoneEarly, l.DoneLate, l.DoneUnseen, now); bounds != "" {
		text += ", " + bounds
	}
	return text
}

// barCells is how long the bar of a part's progress is.
func barCells(st Style) int { return max(5, min(20, st.width()-55)) }

// part says how far the part in progress is, by the time the last ones took; with a bar of so many
// characters.
func part(s *supervisor.Snapshot, cells int) string {
	l := s.Lot
	elapsed := s.At.Sub(l.PartBegun)
	if l.PartTakes <= 0 {
		return fmt.Sprintf("cycle %d, begun %s ago", l.Part, Span(elapsed))
	}
	done := min(0.99, max(0, float64(elapsed)/float64(l.PartTakes)))
	full := int(done * float64(cells))
	return fmt.Sprintf("cycle %d |%s%s| %d %%, %s", l.Part, strings.Repeat("=", full), strings.Repeat(".", cells-full),
		int(100*done), Left(l.PartTakes-elapsed))
}

// Left says how much time is left, as estimated.
func Left(d time.Duration) string {
	if d < time.Second {
		return Span(d) + " left"
	}
	return "about " + Span(d) + " left"
}

// oldReading is how old a temperature may be before its age stands beside it.
const oldReading = time.Minute

func heat(s *supervisor.Snapshot) string {
	h := s.Heat
	if h.Read.IsZero() || !h.HasNozzle && !h.HasBed {
		return "no reading"
	}
	one := func(name string, has bool, now, target float64) string {
		switch {
		case !has:
			return name + " no reading"
		case target <= 0:
			return fmt.Sprintf("%s %.0f °C, off", name, now)
		}
		return fmt.Sprintf("%s %.0f of %.0f °C", name, now, target)
	}
	text := one("nozzle", h.HasNozzle, h.NozzleC, h.NozzleTargetC) + "; " + one("bed", h.HasBed, h.BedC, h.BedTargetC)
	if age := s.At.Sub(h.Read); age > oldReading || !s.Line.Connected {
		text += "; read " + Span(age) + " ago"
	}
	return text
}

// touchC: metal at this temperature may be touched for a minute (from memory of the figures on skin
// burns; common practice, no source).
const touchC = 50

// Touch says for hands how hot the machine is by its newest reading, and shows the reading.
func Touch(s *supervisor.Snapshot) string {
	h := &s.Heat
	text := heat(s)
	switch {
	case MainsOff(s):
		return "May be on: " + text
	case h.Read.IsZero() || !h.HasNozzle && !h.HasBed:
		return "No reading: treat it as hot"
	case h.NozzleTargetC > 0 || h.BedTargetC > 0 || h.NozzleC >= touchC || h.BedC >= touchC:
		return "Hot: " + text
	case s.At.Sub(h.Read) > oldReading || !s.Line.Connected:
		return "Not known: " + text
	}
	return "Reads cold: " + text
}

// lineText says how the connection is.
func lineText(l *supervisor.LineView) string {
	text := l.Port + ": not connected"
	if l.Connected {
		text = l.Port + ": connected"
		if l.Stats.Resends > 0 {
			text += fmt.Sprintf("; %d of %d lines resent", l.Stats.Resends, l.Stats.LinesSent)
		}
	}
	if l.Problem != "" {
		text += "; " + l.Problem
	}
	if l.Command != "" {
		text += ": " + l.Command
	}
	return text
}

func lineRows(s *supervisor.Snapshot, st Style) []string {
	l := s.Line
	rows := st.row("Board", lineText(&l))
	if l.Connected && l.Stats.Hint != "" {
		rows = append(rows, st.row("  speed", l.Stats.Hint)...)
	}
	return rows
}

// Change writes one line when something in the run has changed that a reader of
// a log would want to know, and nothing otherwise. before may be nil.
func Change(before, now *supervisor.Snapshot) string {
	var words []string
	if before == nil || before.State != now.State {
		text := now.State.String()
		if now.Cause.Text != "" {
			text += " (" + now.Cause.Text + ")"
		}
		words = append(words, text)
	}
	if l := now.Lot; l != nil {
		var b supervisor.LotView
		if before != nil && before.Lot != nil {
			b = *before.Lot
		}
		if b.Made != l.Made || b.Good != l.Good || b.Scrap != l.Scrap || b.Interrupted != l.Interrupted || b.Status != l.Status {
			words = append(words, fmt.Sprintf("lot %d %s, %s", l.ID, l.Status, l.Count()))
		}
	}
	if now.Line.Problem != "" && (before == nil || before.Line.Problem != now.Line.Problem) {
		words = append(words, now.Line.Problem)
	}
	if len(words) == 0 {
		return ""
	}
	return now.At.Local().Format("15:04:05") + "  " + Printable(strings.Join(words, "; "))
}

// YieldText says for how many more parts to have filament and time, where scrap makes them
// more than are ordered still; empty where it does not.
func YieldText(l *supervisor.LotView) string {
	y := l.Yield
	if y == nil || l.Status != ledger.LotOpen || y.Cycles <= int64(l.Wanted) {
		return ""
	}
	text := fmt.Sprintf("have filament for %d more parts, not %d: with 95 %% certainty they are enough", y.Cycles, l.Wanted)
	if y.Assumed {
		return text + fmt.Sprintf(", if %.0f %% come out good", 100*y.Yield)
	}
	return text + fmt.Sprintf("; by the parts looked at, %.0f %% come out good", 100*y.Yield)
}

// SizeText says what the lengths of a job's parts were and within which limits they must stay.
func SizeText(v *book.Size, name string) string {
	text := fmt.Sprintf("%s: the newest %.2f mm; mean %.2f, limits %.2f to %.2f mm", name, v.NewestMM, v.MeanMM, v.LowerMM, v.UpperMM)
	if v.Phase == quality.Learning {
		text = fmt.Sprintf("%s: %s, the newest %.2f mm; limits need %d more", name, Count(int(v.N), "length"), v.NewestMM, v.Missing)
		if v.SteppedAt > 0 {
			text += fmt.Sprintf(", since from length %d on they lie on another level", v.SteppedAt+1)
		}
	}
	if v.Ppk != nil {
		text += fmt.Sprintf("; Ppk %.2f (95 %%: %.2f to %.2f) for %g ± %g mm", *v.Ppk, v.PpkInterval.Low, v.PpkInterval.High, v.Ordered.LengthMM, v.Ordered.ToleranceMM)
	}
	return text
}
