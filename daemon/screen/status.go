package screen

import (
	"fmt"
	"math"
	"strings"
	"time"

	"beltwarden/supervisor"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
	"beltwarden/supervisor/quality"
)

// Status writes one screen about the run. It begins with what the reader came
// for: when someone must next be at the machine, why, and with how many parts.
func Status(s *supervisor.Snapshot, st Style) []string {
	var out []string
	add := func(lines []string) { out = append(out, lines...) }
	when, why := nextVisit(s)
	add(st.strongRow("Next visit", when))
	if why != "" {
		add(st.row("", why))
	}
	if n := s.Next; n != nil {
		if len(n.Bring) > 0 {
			add(st.row("  bring", strings.Join(n.Bring, ", ")))
		}
		if text := later(s); text != "" {
			add(st.row("  then", text))
		}
	}
	if s.Advice != "" {
		add(st.strongRow("Do now", sentence(s.Advice)))
	}
	out = append(out, "")
	add(st.row("Machine", fmt.Sprintf("%s is %s since %s (%s)", s.Machine, s.State, clock(s.Since, s.At), span(s.At.Sub(s.Since)))))
	if s.Cause.Text != "" {
		add(st.row("  why", s.Cause.Text))
	}
	if s.Doing != "" {
		add(st.row("  doing", s.Doing))
	}
	add(lotRows(s, st))
	add(beltRows(s, st))
	if text := supplyText(&s.Supply); text != "" {
		add(st.row("Supply", text))
	}
	add(st.row("Heat", heat(s)))
	if s.Heat.Unsure {
		add(st.strongRow("", "the heaters may be on and the board cannot be reached: switch the machine off at the mains"))
	}
	add(lineRows(s, st))
	add(st.row("Commands", strings.Join(s.Accepts, ", ")))
	if st.Height > 0 && len(out) > st.Height {
		out = out[:st.Height] // what matters most stands first
	}
	return out
}

// nextVisit answers when, why and with how many good parts.
func nextVisit(s *supervisor.Snapshot) (when, why string) {
	switch {
	case s.Heat.Unsure && s.State == supervisor.Stopped:
		return "now: the heaters may be on", good(s)
	case s.State == supervisor.Aborted || s.State == supervisor.Aborting:
		return "now: something went wrong", good(s)
	case s.State == supervisor.Held || s.State == supervisor.Suspended:
		return "now: the machine waits for you", good(s)
	case s.State == supervisor.Complete && (s.Lot == nil || s.Lot.Unverified == 0):
		return "none is due: every part of the lot is counted", good(s)
	case s.State == supervisor.Complete:
		return "now: the lot's parts wait to be counted", good(s)
	case (s.State == supervisor.Resetting || s.State == supervisor.Clearing) && s.Line.Problem != "":
		return "now: the board cannot be reached", good(s)
	case s.Next == nil && s.Lot != nil && s.Lot.Status == ledger.LotOpen && s.Lot.Wanted > 0:
		return "now: the lot waits to go on", good(s)
	case s.Next == nil && s.Lot != nil && s.Lot.Unverified > 0:
		return "now: the lot's parts wait to be counted", good(s)
	case s.Next == nil:
		return "none is due: no lot is being made", good(s)
	}
	n := s.Next
	if s.State == supervisor.Holding || s.State == supervisor.Suspending || n.Parts == 0 {
		when = "as soon as the part in progress is off the belt"
	} else {
		when = fmt.Sprintf("about %s (in %s), after %s", clock(n.At, s.At), span(n.At.Sub(s.At)), count(n.Parts, "more part"))
		if half := n.Late.Sub(n.At); half >= 2*time.Minute {
			when += ", give or take " + span(half)
		}
	}
	why = n.Text + "."
	if l := s.Lot; l != nil {
		by := min(l.Ordered, l.Good+l.Unverified+n.Parts)
		why += fmt.Sprintf(" By then %d of %d good parts, if every part not looked at is good.", by, l.Ordered)
	}
	return when, sentence(why)
}

// good says how many good parts there are.
func good(s *supervisor.Snapshot) string {
	if s.Lot == nil {
		return ""
	}
	return fmt.Sprintf("%d of %d good parts found, %d made and not looked at.", s.Lot.Good, s.Lot.Ordered, s.Lot.Unverified)
}

// sentence begins a text with a capital letter.
func sentence(text string) string {
	if text == "" || text[0] < 'a' || text[0] > 'z' {
		return text
	}
	return string(text[0]-'a'+'A') + text[1:]
}

func lotRows(s *supervisor.Snapshot, st Style) []string {
	l := s.Lot
	if l == nil {
		return st.row("Lot", "none")
	}
	out := st.row("Lot", fmt.Sprintf("%d %s, %s", l.ID, l.Name, l.Status))
	out = append(out, st.row("  parts", fmt.Sprintf("%d good, %d not looked at, %d scrap; %d ordered", l.Good, l.Unverified, l.Scrap, l.Ordered))...)
	if l.Interrupted > 0 {
		out = append(out, st.strongRow("", count(l.Interrupted, "interrupted part")+" to decide on")...)
	}
	if len(l.Jobs) > 1 {
		for _, j := range l.Jobs {
			out = append(out, st.row("  job", fmt.Sprintf("%s: %d made, %d good, %d scrap; %d ordered", j.Name, j.Made, j.Good, j.Scrap, j.Ordered))...)
		}
	}
	if l.Part > 0 {
		out = append(out, st.row("  part", part(s))...)
	}
	if y := l.Yield; y != nil && l.Status == ledger.LotOpen && y.Cycles > int64(l.Wanted) {
		out = append(out, st.row("  yield", fmt.Sprintf("with 95 %% certainty %d more to begin for the ordered parts, not %d: %.0f %% are expected to be good",
			y.Cycles, l.Wanted, 100*y.Yield))...)
	}
	for i := range l.Jobs {
		if v := l.Jobs[i].Size; v != nil {
			out = append(out, st.row("  size", sizeText(v, l.Jobs[i].Name))...)
		}
	}
	if !l.DoneAt.IsZero() && l.Wanted > 0 {
		out = append(out, st.row("  done", fmt.Sprintf("about %s, holds not counted; %s still to begin", clock(l.DoneAt, s.At), count(l.Wanted, "part")))...)
	}
	return out
}

// part says how far the part in progress is, by the time the last ones took.
func part(s *supervisor.Snapshot) string {
	l := s.Lot
	elapsed := s.At.Sub(l.PartBegun)
	if l.PartTakes <= 0 {
		return fmt.Sprintf("cycle %d, begun %s ago", l.Part, span(elapsed))
	}
	done := min(0.99, max(0, float64(elapsed)/float64(l.PartTakes)))
	const cells = 20
	full := int(done * cells)
	return fmt.Sprintf("cycle %d |%s%s| %d %%, about %s left", l.Part, strings.Repeat("=", full), strings.Repeat(".", cells-full),
		int(100*done), span(l.PartTakes-elapsed))
}

func beltRows(s *supervisor.Snapshot, st Style) []string {
	b := s.Belt
	out := st.row("Belt", fmt.Sprintf("%s since realignment, %s since the last check",
		metres(b.SinceRealignMM), metres(b.SinceCheckMM)))
	read := "not read since realignment"
	if b.OffsetMM != nil {
		read = fmt.Sprintf("%+.1f mm at the last check", *b.OffsetMM)
	}
	f := &b.Drift
	if f.Basis != belt.OnReadings {
		read += fmt.Sprintf("; at worst %.1f mm by now", b.WorstOffsetMM)
	}
	out = append(out, st.row("  offset", fmt.Sprintf("%s; limit %.1f mm", read, b.OffsetLimitMM))...)
	if f.Basis == belt.OnReadings {
		out = append(out, st.row("  drift", driftText(f))...)
	}
	if text := seamText(&b); text != "" {
		out = append(out, st.row("  seam", text)...)
	}
	for _, flag := range f.Flagged {
		out = append(out, st.strongRow("  doubtful", flag.String()+"; measure again, or correct the check")...)
	}
	if b.UncertainMM > 0 {
		out = append(out, st.strongRow("  uncertain", fmt.Sprintf("%s may or may not have been run", metres(b.UncertainMM)))...)
	}
	return out
}

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
	if age := s.At.Sub(h.Read); age > time.Minute || !s.Line.Connected {
		text += "; that was " + span(age) + " ago"
	}
	return text
}

func lineRows(s *supervisor.Snapshot, st Style) []string {
	l := s.Line
	text := l.Port + ": not connected"
	if l.Connected {
		text = l.Port + ": connected"
		if l.Stats.Resends > 0 {
			text += fmt.Sprintf("; %d of %d lines sent again", l.Stats.Resends, l.Stats.LinesSent)
		}
	}
	if l.Problem != "" {
		text += "; " + l.Problem
	}
	rows := st.row("Board", text)
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
			words = append(words, fmt.Sprintf("lot %d %s: %d made, %d good, %d not looked at, %d scrap, %d ordered",
				l.ID, l.Status, l.Made, l.Good, l.Unverified, l.Scrap, l.Ordered))
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

// driftText says which way the belt goes, how fast, and how far it may still run.
func driftText(f *belt.Forecast) string {
	side := "to the right"
	if *f.RateMMPerM < 0 {
		side = "to the left"
	}
	text := fmt.Sprintf("%.3f mm/m %s", math.Abs(*f.RateMMPerM), side)
	if f.RateSE != nil {
		text += fmt.Sprintf(" (± %.3f)", 2**f.RateSE)
	}
	if f.Drive != belt.ByTravel {
		text += ", going with " + string(f.Drive)
	}
	text += fmt.Sprintf(", by %s; ", count(f.N, "check"))
	if f.ChangedAtMM != nil {
		text += fmt.Sprintf("it has changed at %s; ", metres(*f.ChangedAtMM))
	}
	const far = 1e6 // mm
	if f.TravelToLimitLower95MM >= far {
		return text + "the limit is far"
	}
	if mm := f.TravelToLimitMM; mm != nil && *mm < far {
		text += fmt.Sprintf("the limit in about %.1f m, ", *mm/1000)
	}
	return text + fmt.Sprintf("with 95 %% certainty not before %.1f m", f.TravelToLimitLower95MM/1000)
}

// later tells the visits after the next one, the nearest first.
func later(s *supervisor.Snapshot) string {
	var list []string
	for i, v := range s.Later {
		if i == 3 && len(s.Later) > 4 {
			list = append(list, fmt.Sprintf("%s more, the last about %s", count(len(s.Later)-i, "visit"), clock(s.Later[len(s.Later)-1].At, s.At)))
			break
		}
		list = append(list, fmt.Sprintf("about %s (%s)", clock(v.At, s.At), reasons[v.Reason]))
	}
	return strings.Join(list, ", ")
}

// reasons are the causes of visits in a word or two.
var reasons = map[string]string{
	supervisor.CauseCheckParts: "check", supervisor.CauseCheckTravel: "check", supervisor.CauseCheckTime: "check",
	supervisor.CauseOffset: "belt", supervisor.CauseSize: "size", supervisor.CauseFilament: "filament", supervisor.CauseBin: "bin", supervisor.CauseUnattended: "attended hours", supervisor.CauseDone: "end of the lot",
}

// seamText says where the joint is, or how to tell it.
func seamText(b *supervisor.BeltView) string {
	switch {
	case b.LoopMM <= 0 || b.SeamMM <= 0:
		return ""
	case b.SeamAheadMM == nil:
		return "not seen yet, so parts can come to lie on it; tell where it is with beltwarden check --seam-mm"
	case 2*b.SeamDoubtMM+b.SeamMM >= b.LoopMM/2:
		return "where it is has become uncertain; tell it anew with beltwarden check --seam-mm"
	}
	where := "ahead of"
	if *b.SeamAheadMM < 0 {
		where = "behind"
	}
	return fmt.Sprintf("%.0f mm %s the nozzle, give or take %.0f mm; no part is laid on it", math.Abs(*b.SeamAheadMM), where, b.SeamDoubtMM)
}

// sizeText says what the lengths of a job's parts were and within which limits they must stay.
func sizeText(v *supervisor.SizeView, name string) string {
	if v.Phase == quality.Learning {
		return fmt.Sprintf("%s: %s, the newest %.2f mm; limits need %d more", name, count(int(v.N), "length"), v.NewestMM, v.Missing)
	}
	return fmt.Sprintf("%s: the newest %.2f mm; mean %.2f, limits %.2f to %.2f mm", name, v.NewestMM, v.MeanMM, v.LowerMM, v.UpperMM)
}

// supplyText says what is left on the spool and how full the bin is, as far as was told.
func supplyText(v *supervisor.SupplyView) string {
	var list []string
	if v.SpoolLeftG != nil {
		text := fmt.Sprintf("spool %.0f g left", math.Max(0, *v.SpoolLeftG))
		if v.PartG > 0 {
			text += fmt.Sprintf(", for %s", count(int(math.Max(0, *v.SpoolLeftG)/v.PartG), "part"))
		}
		list = append(list, text)
	}
	if v.Binned != nil {
		text := fmt.Sprintf("bin %s", count(*v.Binned, "part"))
		if v.BinHolds > 0 {
			text += fmt.Sprintf(" of %d", v.BinHolds)
		}
		list = append(list, text)
	}
	return strings.Join(list, "; ")
}
