package screen

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// scrapRows is how many reasons for scrap the form has room for.
const scrapRows = 3

// scrapReasons are offered; any other word may be typed (common practice, no source).
var scrapReasons = []string{"detached", "warped", "layer shift", "stringing", "wrong size", "incomplete"}

// visitView is the form for what was found and done at the machine.
type visitView struct {
	Key                            string
	Mistakes                       []mistake
	Ask                            bool // nothing is impossible, but odd: asks whether it is so
	State                          string
	Why                            string // of this visit
	GoOn                           string // label of the button that records and goes on; empty where there is nothing to go on with
	First, Also                    []visitGroup
	LotTitle                       string
	Jobs                           []option
	Sides                          []option
	SideWrong                      string
	Offset, Seam, Realigned        field
	Cleared, CleanedAs             field
	Surface                        []option
	Good, AllGood, Lengths         field
	Scrap                          []scrapRow
	Interrupted                    []option
	InterruptedWrong               string
	Detached, SetAside, Accept     field
	Spool, Emptied, By, Note, IsSo field
	Care                           []field
	Picture                        string
}

// visitGroup is a part of the form. What the visit is for stands first; the others are folded unless they hold something.
type visitGroup struct {
	Name, Title string
	Open        bool
	Form        *visitView
}

// visitGroups are the parts of the form, in the order of those that are folded, with the inputs that belong to each.
var visitGroups = []struct {
	name, title string
	inputs      []string
}{
	{"interrupted", "The interrupted part", []string{"interrupted"}},
	{"cleared", "Under the head", []string{"belt_cleared"}},
	{"offset", "The belt", []string{"offset_mm", "offset_side", "realigned"}},
	{"parts", "The parts", []string{"good", "all_good", "job"}},
	{"scrap", "Scrap", []string{"scrap_reason_1", "scrap_count_1", "scrap_reason_2", "scrap_count_2", "scrap_reason_3", "scrap_count_3", "detached_min"}},
	{"lengths", "Lengths", []string{"lengths_mm", "set_aside", "accept_lengths"}},
	{"spool", "Spool", []string{"spool_g"}},
	{"bin", "Bin", []string{"bin_emptied"}},
	{"care", "Care", nil}, // did_ with a number
	{"belt", "Seam and surface", []string{"seam_mm", "surface"}},
	{"you", "Your name and a note", []string{"by", "note"}},
}

// visitFor names the groups that this visit is for, the first one first.
func visitFor(s *supervisor.Snapshot) (first []string) {
	add := func(names ...string) { first = append(first, names...) }
	l := s.Lot
	reasons := []string{s.Cause.Code}
	if s.State != supervisor.Held && s.State != supervisor.Suspended {
		reasons = nil
	}
	if n := s.Next; n != nil {
		reasons = append(append(reasons, n.Reason), n.Also...)
	}
	if l != nil && l.Interrupted > 0 {
		add("interrupted")
	}
	if !s.Belt.Clear {
		add("cleared")
	}
	for _, code := range reasons {
		switch code {
		case supervisor.CauseCheckParts, supervisor.CauseCheckTravel, supervisor.CauseCheckTime, supervisor.CauseOffset:
			add("offset")
		case supervisor.CauseSize:
			add("lengths")
		case supervisor.CauseFilament:
			add("spool")
		case supervisor.CauseBin:
			add("bin")
		case supervisor.CauseCare:
			add("care")
		}
	}
	if l != nil && l.Unverified > 0 {
		add("parts")
		if slices.ContainsFunc(l.Jobs, func(j supervisor.JobView) bool { return j.Size != nil }) {
			add("lengths")
		}
	}
	if len(first) == 0 {
		add("offset")
	}
	return first
}

type scrapRow struct {
	Reason, Count field
	Options       []option // of the reason; nil: it is typed
}

type option struct {
	Value, Label string
	Chosen       bool
}

func (sc *screen) visitForm(w http.ResponseWriter, r *http.Request) {
	if p := sc.page(r, "Record a visit"); sc.keyed(w, r, p, "This visit is recorded") {
		sc.showVisit(w, http.StatusOK, p, nil, false)
	}
}

// showVisit writes the form, with what was typed and what is wrong with it.
func (sc *screen) showVisit(w http.ResponseWriter, status int, p *page, f *form, ask bool) {
	s := sc.Run.Snapshot()
	v := &visitView{Key: p.Key, Ask: ask, State: s.State.String(), Why: sentence(s.Cause.Text), Picture: offsetPicture()}
	if s.Cause.Text == "" && s.Next != nil {
		v.Why = sentence(s.Next.Text)
	}
	if f != nil {
		v.Mistakes = f.mistakes
		v.SideWrong = f.wrongAt("offset_side")
	}
	v.Sides = options(f, "offset_side", [][2]string{{sideLeft, "Left"}, {sideZero, "0"}, {sideRight, "Right"}})
	v.Offset = f.fill(field{Name: "offset_mm", Label: "How far", Unit: "mm", Mode: "decimal",
		Hint: fmt.Sprintf("From the line to the belt's edge. The limit is %.1f mm.", s.Belt.OffsetLimitMM)})
	v.Realigned = f.fill(field{Name: "realigned", Label: "I have realigned the belt", Hint: "The drift history then starts over."})
	v.Cleared = f.fill(field{Name: "belt_cleared", Label: "Nothing is under the head or just in front of it"})
	v.Seam = f.fill(field{Name: "seam_mm", Label: "Middle of the belt's seam, ahead of the nozzle", Unit: "mm", Mode: "text", Hint: "Plus is towards the drop edge. Leave empty if you did not look."})
	v.CleanedAs = f.fill(field{Name: "surface", Label: "New belt surface"})
	v.Surface = options(f, "surface", [][2]string{{"", "no"}, {"cleaned", "cleaned"}, {"taped", "taped"}})
	if l := s.Lot; l != nil {
		v.lot(f, s)
	}
	v.Spool = f.fill(field{Name: "spool_g", Label: "Spool on the machine now", Unit: "g", Mode: "decimal", Hint: "Its weighed mass. Include the reel if the reel's mass is configured."})
	v.Emptied = f.fill(field{Name: "bin_emptied", Label: "I have emptied the bin"})
	for i, c := range s.Care {
		v.Care = append(v.Care, f.fill(field{Name: fmt.Sprintf("did_%d", i+1), Label: "Done: " + c.Name, Value: c.Name, Hint: "It is " + wording.CareText(c) + "."}))
	}
	v.By = f.fill(field{Name: "by", Label: "Your name", Auto: "name"})
	v.Note = f.fill(field{Name: "note", Label: "Note", Wide: true})
	v.IsSo = f.fill(field{Name: "sure", Label: "I have checked again: the values are right"})
	switch {
	case slices.Contains(s.Accepts, "unhold"):
		v.GoOn = "Record and unhold: go on"
	case slices.Contains(s.Accepts, "unsuspend"):
		v.GoOn = "Record and unsuspend: go on"
	}
	v.group(f, visitFor(s), s.Lot != nil)
	p.Body = v
	sc.write(w, status, "visit", p)
}

// group puts what the visit is for before what may be recorded too.
func (v *visitView) group(f *form, first []string, lot bool) {
	for _, g := range visitGroups {
		parts := g.name == "parts" || g.name == "scrap" || g.name == "lengths"
		if parts && !lot || g.name == "interrupted" && v.Interrupted == nil || g.name == "care" && v.Care == nil {
			continue
		}
		one := visitGroup{Name: g.name, Title: g.title, Form: v}
		if f != nil {
			for name := range f.values {
				one.Open = one.Open || f.text(name) != "" && (slices.Contains(g.inputs, name) || g.name == "care" && strings.HasPrefix(name, "did_"))
			}
			for _, m := range f.mistakes {
				one.Open = one.Open || slices.Contains(g.inputs, m.Field) || g.name == "care" && strings.HasPrefix(m.Field, "did_")
			}
		}
		if slices.Contains(first, g.name) {
			v.First = append(v.First, one)
		} else {
			v.Also = append(v.Also, one)
		}
	}
	slices.SortStableFunc(v.First, func(a, b visitGroup) int { return slices.Index(first, a.Name) - slices.Index(first, b.Name) })
}

// lot adds the fields that belong to parts.
func (v *visitView) lot(f *form, s *supervisor.Snapshot) {
	l := s.Lot
	v.LotTitle = fmt.Sprintf("Lot %d, %s: %d made and not looked at, %d good so far of %d ordered.", l.ID, l.Name, l.Unverified, l.Good, l.Ordered)
	if len(l.Jobs) > 1 {
		for i, j := range l.Jobs {
			v.Jobs = append(v.Jobs, option{fmt.Sprint(i), fmt.Sprintf("%s (%d not looked at)", j.Name, j.Count().NotLookedAt()), f != nil && f.values.Get("job") == fmt.Sprint(i)})
		}
	}
	v.Good = f.fill(field{Name: "good", Label: "Good parts", Mode: "numeric", Step: true, Hint: "Count only parts not looked at before."})
	if l.Unverified > 0 && len(l.Jobs) == 1 {
		v.AllGood = field{Name: "all_good", Label: fmt.Sprintf("All %d parts not looked at yet are good", l.Unverified), Value: fmt.Sprint(l.Unverified)}
		if l.Unverified == 1 {
			v.AllGood.Label = "The one part not looked at yet is good"
		}
		v.AllGood = f.fill(v.AllGood)
	}
	v.Lengths = f.fill(field{Name: "lengths_mm", Label: "Lengths measured along the belt", Unit: "mm", Mode: "text", Wide: true, Hint: "Separate them by spaces. Measure cold parts, in the order made."})
	v.SetAside = f.fill(field{Name: "set_aside", Label: "Earlier lengths to set aside, by number", Mode: "text", Wide: true, Hint: "Lengths that gave a signal and are known to be wrong. Say why in the note."})
	v.Accept = f.fill(field{Name: "accept_lengths", Label: "Keep the lengths that gave a signal", Hint: "The control limits then include them. Say why in the note."})
	for i := range scrapRows {
		row := scrapRow{Reason: field{Name: fmt.Sprintf("scrap_reason_%d", i+1), Label: fmt.Sprintf("Scrap, reason %d", i+1)},
			Count: field{Name: fmt.Sprintf("scrap_count_%d", i+1), Label: "How many", More: fmt.Sprintf(" for reason %d", i+1), Mode: "numeric", Step: true}}
		row.Reason, row.Count = f.fill(row.Reason), f.fill(row.Count)
		if i < scrapRows-1 { // one that is not offered is typed in the last row
			offered := [][2]string{{"", "none"}}
			for _, reason := range scrapReasons {
				offered = append(offered, [2]string{reason, reason})
			}
			if typed := row.Reason.Value; typed != "" && !slices.Contains(scrapReasons, typed) {
				offered = append(offered, [2]string{typed, typed})
			}
			row.Options = options(f, row.Reason.Name, offered)
		}
		v.Scrap = append(v.Scrap, row)
	}
	v.Detached = f.fill(field{Name: "detached_min", Label: "Parts that came off the belt too early: minutes after they began", Unit: "min", Mode: "text", Wide: true, Hint: "Separate them by spaces. Leave empty if none did."})
	if l.Interrupted > 0 {
		v.Interrupted = options(f, "interrupted", [][2]string{{"", "not decided yet"}, {"good", "good"}, {"scrap", "scrap"}})
		if f != nil {
			v.InterruptedWrong = f.wrongAt("interrupted")
		}
	}
}

// options marks what was chosen before; the first is chosen where nothing was.
func options(f *form, name string, list [][2]string) (out []option) {
	chosen := ""
	if f != nil {
		chosen = f.values.Get(name)
	}
	for _, o := range list {
		out = append(out, option{o[0], o[1], o[0] == chosen})
	}
	return out
}

// recordVisit reads what was typed and hands it to the run.
func (sc *screen) recordVisit(w http.ResponseWriter, r *http.Request) {
	f := sc.formOf(w, r)
	if f == nil {
		return
	}
	v := visitOf(f)
	if len(f.mistakes) > 0 {
		sc.showVisit(w, http.StatusUnprocessableEntity, sc.page(r, "Record a visit"), f, false)
		return
	}
	by := sc.Who(r, f.text("by"))
	result, err := sc.Run.Do(r.Context(), supervisor.Request{Visit: v, By: by})
	var refused *supervisor.VisitRefusal
	if errors.As(err, &refused) {
		for _, fault := range refused.Faults {
			f.wrong(inputOf(fault.Field), sentence(fault.Text)+".")
		}
		sc.showVisit(w, http.StatusUnprocessableEntity, sc.page(r, "Record a visit"), f, refused.Unlikely)
		return
	}
	if err != nil {
		sc.fail(w, r, err)
		return
	}
	if f.text("then") == "" {
		http.Redirect(w, r, "/?done=visit", http.StatusSeeOther)
		return
	}
	command := supervisor.Unhold
	if sc.Run.Snapshot().State == supervisor.Suspended {
		command = supervisor.Unsuspend
	}
	if _, err := sc.Run.Do(r.Context(), supervisor.Request{Command: command, By: by}); err != nil {
		_, what, remedy := sc.reason(r, err)
		sc.showCommand(w, r, http.StatusOK, commandState{name: strings.ToLower(command.String()), by: f.text("by"), before: "The visit is recorded: " + result.Text + ".", what: what, remedy: remedy})
		return
	}
	http.Redirect(w, r, "/?done=went-on", http.StatusSeeOther)
}

// inputOf is the input that a fault of the run belongs to.
func inputOf(name string) string {
	switch name {
	case "scrap":
		return "scrap_count_1"
	case "did":
		return "did_1"
	case "job":
		return "job"
	}
	return name
}

// Sides of the lateral offset. A telephone's keypad for numbers often has no minus sign.
const (
	sideLeft  = "left"
	sideZero  = "zero"
	sideRight = "right"
)

// offset reads the lateral offset, mm, + to the right: a side with how far, or a number with its sign. It is nil where
// nothing was entered.
func (f *form) offset() *float64 {
	const far, side = "offset_mm", "offset_side"
	chosen, typed := f.text(side), f.text(far)
	v := f.decimal(far, "The offset")
	switch {
	case chosen != "" && chosen != sideLeft && chosen != sideZero && chosen != sideRight:
		f.wrong(side, "Choose left, 0 or right.")
		return nil
	case typed != "" && v == nil: // a mistake, noted
		return nil
	case typed == "" && chosen == sideZero:
		return new(float64)
	case typed == "" && chosen != "":
		f.wrong(far, "Enter how far the belt stands to the "+chosen+", in mm.")
		return nil
	case typed == "" || *v == 0:
		return v
	}
	signed := strings.ContainsRune("+-\u2212", []rune(typed)[0])
	switch {
	case chosen == sideZero:
		f.wrong(far, fmt.Sprintf("You chose 0 and also entered %s: choose left or right, or leave the number out.", typed))
	case chosen == "" && !signed:
		f.wrong(side, "Choose to which side of the line the belt stands.")
	case chosen == sideLeft && signed && *v > 0, chosen == sideRight && *v < 0:
		f.wrong(far, fmt.Sprintf("You chose %s and entered %s: plus is to the right, minus to the left.", chosen, typed))
	case chosen == sideLeft && *v > 0:
		*v = -*v
	}
	return v
}

// visitOf reads the form.
func visitOf(f *form) *supervisor.Visit {
	v := &supervisor.Visit{
		OffsetMM: f.offset(), LengthsMM: f.decimals("lengths_mm", "A length"),
		SetAside: f.wholes("set_aside", "The number of a length"), AcceptLengths: f.ticked("accept_lengths"),
		Good: f.whole("good", "The number of good parts"), Job: f.whole("job", "The job"), Interrupted: f.text("interrupted"),
		Realigned: f.ticked("realigned"), BeltCleared: f.ticked("belt_cleared"), SeamMM: f.decimal("seam_mm", "The place of the seam"),
		SpoolG: f.decimal("spool_g", "The mass of the spool"), BinEmptied: f.ticked("bin_emptied"), Note: f.text("note"),
		DetachedMin: f.decimals("detached_min", "A time"), Surface: f.text("surface"), Sure: f.ticked("sure"),
	}
	for name := range f.values {
		if strings.HasPrefix(name, "did_") {
			v.Did = append(v.Did, f.text(name))
		}
	}
	if all := f.whole("all_good", "The number of good parts"); all > 0 {
		if v.Good != 0 && v.Good != all {
			f.wrong("good", fmt.Sprintf("You entered %d good parts and also ticked that all %d are good: leave out one.", v.Good, all))
		}
		v.Good = all
	}
	for i := range scrapRows {
		why, count := fmt.Sprintf("scrap_reason_%d", i+1), fmt.Sprintf("scrap_count_%d", i+1)
		reason, n := f.text(why), f.whole(count, "The number of scrap parts")
		switch {
		case reason == "" && n == 0:
			continue
		case reason == "":
			f.wrong(why, "Say why these parts are scrap.")
		case n == 0 && f.wrongAt(count) == "":
			f.wrong(count, "Say how many parts are scrap for this reason.")
		}
		if v.Scrap == nil {
			v.Scrap = map[string]int{}
		}
		if _, twice := v.Scrap[reason]; twice {
			f.wrong(why, "This reason is given twice: add up the parts.")
		}
		v.Scrap[reason] += n
	}
	if n := len(v.DetachedMin); n > v.Scrap[ledger.Detached] && v.Scrap[ledger.Detached] > 0 {
		f.wrong("detached_min", fmt.Sprintf("%d times, and %d parts counted as %s.", n, v.Scrap[ledger.Detached], ledger.Detached))
	}
	if len([]rune(v.Note)) > 1000 {
		f.wrong("note", "The note is longer than 1000 characters.")
	}
	return v
}
