package wording

import (
	"fmt"
	"math"
	"strings"

	"beltwarden/supervisor"
	"beltwarden/supervisor/belt"
)

func beltRows(s *supervisor.Snapshot, st Style) []string {
	b := s.Belt
	out := st.row("Belt", fmt.Sprintf("%s since realignment, %s since the last check",
		Metres(b.SinceRealignMM), Metres(b.SinceCheckMM)))
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
		out = append(out, st.row("  drift", DriftText(f))...)
	}
	if text := UnevenText(f); text != "" {
		out = append(out, st.row("", text)...)
	}
	if text := SeamText(&b); text != "" {
		if strings.HasPrefix(text, "position un") { // it is to be entered
			text += " (beltwarden check --seam-mm MM)"
		}
		out = append(out, st.row("  seam", text)...)
	}
	if v := b.Surface; v != nil {
		out = append(out, st.row("  surface", fmt.Sprintf("%s %s, %s of belt travel ago", v.How, Clock(v.At, s.At), Metres(v.TravelMM)))...)
	}
	for _, flag := range f.Flagged {
		out = append(out, st.strongRow("  doubtful", flag.String()+"; measure again, or correct the check (check --corrects)")...)
	}
	if t := s.Trial; t != nil {
		text := fmt.Sprintf("%s of %s are run", Metres(t.DoneMM), Metres(t.RunMM))
		if t.Ran {
			text = fmt.Sprintf("%s are run; the offset before was %+.1f mm, the one after is to be read", Metres(t.DoneMM), t.BeforeMM)
		}
		out = append(out, st.row("  trial", text)...)
	}
	if mm := b.CalibratedMM; mm != nil {
		out = append(out, st.row("  travel", fmt.Sprintf("%s in all as commanded, %s by the scale set last", Metres(b.TravelMM), Metres(*mm)))...)
	}
	if b.UncertainMM > 0 {
		out = append(out, st.strongRow("  uncertain", fmt.Sprintf("%s uncertain", Metres(b.UncertainMM)))...)
	}
	return out
}

// DriftText says which way the belt goes, how fast, and how far it may still run.
func DriftText(f *belt.Forecast) string {
	side := "to the right"
	if *f.RateMMPerM < 0 {
		side = "to the left"
	}
	text := fmt.Sprintf("%.3f mm/m %s", math.Abs(*f.RateMMPerM), side)
	if r := f.Rate95MMPerM; r != nil {
		text += fmt.Sprintf(" (± %.3f)", (r[1]-r[0])/2)
	}
	if f.Drive != belt.ByTravel {
		text += ", going with " + string(f.Drive)
	}
	text += fmt.Sprintf(", by %s; ", Count(f.N, "check"))
	if f.ChangedAtMM != nil {
		text += fmt.Sprintf("it has changed at %s; ", Metres(*f.ChangedAtMM))
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

// UnevenText says what readings on little of the belt's loop do not show, or what a mark would
// gain where its edge is seen to be uneven; "" for neither.
func UnevenText(f *belt.Forecast) string {
	switch {
	case f.Uneven():
		return fmt.Sprintf("the belt's edge is uneven: readings scatter by %.1f mm; read it at the same mark each time, and the belt may run twice as far between checks, or further", *f.ResidualSDMM)
	case !f.Creeps():
		return ""
	}
	return fmt.Sprintf("all readings come from %.0f %% of the belt's loop: an uneven edge may give another offset elsewhere; read it at the same mark each time, or all round",
		math.Ceil(100**f.LoopShare))
}

// SeamText says where the seam is, or how to enter it.
func SeamText(b *supervisor.BeltView) string {
	switch {
	case b.LoopMM <= 0 || b.SeamMM <= 0:
		return ""
	case b.SeamAheadMM == nil:
		return "position unknown, so parts may be laid on it; enter it at a visit"
	case 2*b.SeamDoubtMM+b.SeamMM >= b.LoopMM/2:
		return "position uncertain; enter it again at a visit"
	}
	where := "ahead of"
	if *b.SeamAheadMM < 0 {
		where = "behind"
	}
	return fmt.Sprintf("%.0f mm %s the nozzle, ± %.0f mm; no part is laid on it", math.Abs(*b.SeamAheadMM), where, b.SeamDoubtMM)
}

// CareText says when something is due that is to be done every so often, and by what.
func CareText(c supervisor.CareView) string {
	why := strings.TrimPrefix(c.Why, c.Name+": ")
	switch {
	case c.Parts == nil:
		return why
	case *c.Parts == 0:
		return "due now (" + strings.TrimPrefix(why, "due ") + ")"
	}
	return fmt.Sprintf("due in %s (%s)", Count(*c.Parts, "part"), strings.TrimPrefix(why, "due "))
}

// SupplyText says what is left on the spool and how full the bin is, as far as it is known.
func SupplyText(v *supervisor.SupplyView) string {
	var list []string
	if v.SpoolLeftG != nil {
		text := fmt.Sprintf("spool %.0f g left", math.Max(0, *v.SpoolLeftG))
		if v.PartG > 0 {
			text += fmt.Sprintf(", for %s", Count(int(math.Max(0, *v.SpoolLeftG)/v.PartG), "part"))
		}
		list = append(list, text)
	}
	if v.Binned != nil {
		text := fmt.Sprintf("bin %s", Count(*v.Binned, "part"))
		if v.BinHolds > 0 {
			text += fmt.Sprintf(" of %d", v.BinHolds)
		}
		list = append(list, text)
	}
	if v.DiskLow && v.DiskFreeBytes != nil {
		list = append(list, fmt.Sprintf("ledger's disk nearly full: %d MB left", *v.DiskFreeBytes/1e6))
	}
	return strings.Join(list, "; ")
}
