package wording

import (
	"fmt"
	"strings"

	"beltwarden/supervisor"
	"beltwarden/supervisor/belt"
	"beltwarden/supervisor/ledger"
)

// MoreStatus is the command for what [Status] leaves out.
const MoreStatus = "beltwarden status --full"

// headLines is how many lines the headline takes at most on a terminal.
const headLines = 3

// entry is a row of the short status. On a terminal it takes so many lines at most, and where the rows
// are more than the terminal has, those of the highest rank go first; rank 0 stays.
type entry struct {
	label, text string
	strong      bool
	most, rank  int
}

// Status writes the run in brief: first what it is about, when someone must be at the machine, why and
// with what; last what to do now, with its commands, since a terminal shows the end. In between stands
// what bears on that. On a terminal it keeps to st.Height lines, if that is not 0; elsewhere nothing is
// shortened.
func Status(s *supervisor.Snapshot, st Style) []string {
	first, last := st.headline(s), st.doNow(s)
	list := append(visitEntries(s), middle(s, st)...)
	if !st.Terminal {
		return st.screen(first, list, last, 0, false)
	}
	const highest = 9
	for rank := highest; ; rank-- {
		out := st.screen(first, list, last, rank, true)
		if st.Height <= 0 || len(out) <= st.Height {
			return out
		}
		if rank == 0 {
			return cutOut(out, len(first), st.Height)
		}
	}
}

// screen puts rows together: all of them whole, or those up to a rank within their bounds.
func (st Style) screen(first []string, list []entry, last []string, rank int, bound bool) []string {
	out := append([]string{}, first...)
	for _, e := range list {
		switch {
		case bound && e.rank > rank:
		case e.label == "" && e.text == "":
			out = append(out, "")
		default:
			out = append(out, st.entry(e, bound)...)
		}
	}
	return append(out, last...)
}

// name is a name that on a terminal takes so many columns at most.
func (st Style) name(text string, most int) string {
	if text = Printable(text); st.Terminal {
		return Clip(text, most)
	}
	return text
}

// entry writes one row, within its bound or whole.
func (st Style) entry(e entry, bound bool) []string {
	wrapped := wrap(e.text, max(10, st.width()-labelWidth))
	if n := max(1, e.most); bound && len(wrapped) > n {
		wrapped[n-1] = Clip(wrapped[n-1]+" "+strings.Join(wrapped[n:], " "), max(10, st.width()-labelWidth))
		wrapped = wrapped[:n]
	}
	label := pad(e.label, labelWidth)
	for i, l := range wrapped {
		if e.strong {
			l = st.strong(l)
		}
		wrapped[i] = strings.TrimRight(label+l, " ")
		label = strings.Repeat(" ", labelWidth)
	}
	return wrapped
}

// cutOut takes lines out of the middle until the rest fits: the first so many, and the last, stay.
func cutOut(lines []string, first, height int) []string {
	over := len(lines) - height
	if over <= 0 {
		return lines
	}
	from := min(first, max(1, height/2))
	return append(append([]string{}, lines[:from]...), lines[from+over:]...)
}

// headline is the run in one look, the verb in the colour of its sign.
func (st Style) headline(s *supervisor.Snapshot) []string {
	h := HeadlineOf(s)
	verb := h.Verb
	if h.Sign == SignDanger {
		verb = strings.ToUpper(verb)
	}
	text := verb
	if h.Matter != "" {
		text += ". " + h.Matter
	}
	lines := wrap(text, st.width())
	if st.Terminal && len(lines) > headLines {
		lines = append(lines[:headLines-1], Clip(strings.Join(lines[headLines-1:], " "), st.width()))
	}
	if strings.HasPrefix(lines[0], verb) {
		lines[0] = st.signed(h.Sign, verb) + lines[0][len(verb):]
	}
	return lines
}

// signed puts a word in the colour of a sign: white on red for danger and faults, black on yellow for
// what waits for a person, black on green for what needs nobody. Each sets both ground and letters, so
// that it can be read on a dark screen and on a light one.
func (st Style) signed(sign Sign, word string) string {
	if !st.Colour {
		return st.strong(word)
	}
	switch sign {
	case SignDanger, SignFault:
		return "\x1b[1;37;41m" + word + "\x1b[0m"
	case SignWaiting:
		return "\x1b[30;43m" + word + "\x1b[0m"
	case SignWorking:
		return "\x1b[30;42m" + word + "\x1b[0m"
	case SignRest:
	}
	return st.strong(word)
}

// visitEntries say when someone must be there, why, and with what.
func visitEntries(s *supervisor.Snapshot) (list []entry) {
	when, why := NextVisit(s)
	list = append(list, entry{label: "Next visit", text: when, strong: true, most: 2})
	byHand := (s.State == supervisor.Holding || s.State == supervisor.Suspending) && s.Cause.Code == supervisor.CauseOperator
	foreseen := s.Next != nil && strings.Contains(why, s.Next.Text) && !byHand
	switch {
	case byHand:
		list = append(list, entry{label: "Why", text: Sentence(s.Cause.Text), most: 2})
	case foreseen:
		list = append(list, entry{label: "Why", text: why, most: 2})
	case s.Cause.Text != "" && !s.State.Acting() && !strings.Contains(HeadlineOf(s).Matter, Sentence(s.Cause.Text)):
		list = append(list, entry{label: "Why", text: Sentence(s.Cause.Text), most: 2})
	}
	if n := s.Next; n != nil && len(n.Bring) > 0 && !byHand {
		list = append(list, entry{label: "Bring", text: strings.Join(n.Bring, ", "), most: 2, rank: 1})
	}
	if text := later(s); text != "" && foreseen {
		list = append(list, entry{label: "Then", text: text, most: 1, rank: 7})
	}
	return append(list, entry{rank: 8})
}

// middle is what bears on the visit and on what to do.
func middle(s *supervisor.Snapshot, st Style) (list []entry) {
	add := func(label, text string, most, rank int) {
		if text != "" {
			list = append(list, entry{label: label, text: text, most: most, rank: rank})
		}
	}
	strong := func(label, text string, most, rank int) {
		if text != "" {
			list = append(list, entry{label, text, true, most, rank})
		}
	}
	more := MoreStatus
	if r := s.Recovery; r != nil {
		more = MoreStatus + " says what is certain, and other ways on"
		for i, text := range r.Uncertain {
			label := "Not certain"
			if i > 0 {
				label = ""
			}
			strong(label, Sentence(text), 2, min(6, 1+i))
		}
		if r.ResumesAt == nil {
			add("By itself", ByItself(r), 2, 5)
		}
	}
	state := fmt.Sprintf("%s: %s for %s", st.name(s.Machine, st.width()/4), s.State, Span(s.At.Sub(s.Since)))
	if s.Doing != "" {
		state += ", " + s.Doing
	}
	add("Machine", state, 2, 0)
	strong("Clock", s.Clock, 2, 2)
	if l := s.Lot; l != nil {
		add("Lot", fmt.Sprintf("%d %s, %s", l.ID, Printable(l.Name), l.Status), 1, 2)
		add("  parts", l.Count().String(), 5, 0)
		if l.Interrupted > 0 {
			strong("", Count(l.Interrupted, "interrupted part")+": decide whether good or scrap", 1, 3)
		}
		if l.Part > 0 {
			add("  part", part(s, barCells(st)), 1, 3)
		}
		add("  ready", readyShort(s), 2, 4)
		strong("  size", l.SizeSignal, 2, 3)
		add("  yield", YieldText(l), 2, 6)
		if len(l.Jobs) > 1 {
			for i, j := range l.Jobs {
				if st.Terminal && i == 4 && len(l.Jobs) > 5 {
					add("", fmt.Sprintf("and %d more jobs", len(l.Jobs)-i), 1, 7)
					break
				}
				add("  job", fmt.Sprintf("%s, %s", st.name(j.Name, 30), j.Count()), 2, 7)
			}
		}
	} else {
		add("Lot", "none", 1, 6)
	}
	if t := s.Trial; t != nil {
		add("Trial", fmt.Sprintf("%s of %s are run", Metres(t.DoneMM), Metres(t.RunMM)), 1, 2)
	}
	add("Belt", beltShort(s), 2, 4)
	for _, flag := range s.Belt.Drift.Flagged {
		strong("  doubtful", flag.String(), 2, 5)
	}
	heatEntry(s, add, strong)
	add("Supply", SupplyText(&s.Supply), 2, 5)
	add("Care", careShort(s.Care), 2, 5)
	if h := HeadlineOf(s).Matter; (!s.Line.Connected || s.Line.Problem != "") &&
		(s.Line.Problem == "" || !strings.Contains(h, Sentence(s.Line.Problem)) || cells(h) > headLines*(st.width()-15)) {
		add("Board", lineText(&s.Line), 2, 3)
	}
	add("More", more, 1, 0)
	return append(list, entry{rank: 8})
}

// heatEntry is the newest temperatures, and after a fault whether the heaters are shown to be off.
func heatEntry(s *supervisor.Snapshot, add, strong func(label, text string, most, rank int)) {
	text := heat(s)
	switch {
	case s.Heat.Proof != "" && s.Heat.Proved:
		add("Heat", text+"; heaters "+s.Heat.Proof, 2, 0)
	case s.Heat.Proof != "" && (s.HeatFault != "" || s.State == supervisor.Aborted || s.State == supervisor.Aborting):
		strong("Heat", text+"; heaters "+s.Heat.Proof, 3, 0)
	case s.Heat.Proof != "":
		add("Heat", text+"; heaters "+s.Heat.Proof, 2, 1)
	case s.Heat.Unsure:
		strong("Heat", text+"; the heaters may be on", 2, 0)
	default:
		add("Heat", text, 2, 1)
	}
}

// readyShort is when the ordered parts are there, without what it rests on.
func readyShort(s *supervisor.Snapshot) string {
	l := s.Lot
	at, early, late, unseen := l.DoneAt, l.DoneEarly, l.DoneLate, l.DoneUnseen
	if r := l.Ready; r != nil {
		at, early, late, unseen = r.At, r.Early, r.Late, r.Unseen
	}
	if at.IsZero() || l.Wanted == 0 {
		return ""
	}
	text := fmt.Sprintf("%d good about %s", l.Ordered, Clock(at, s.At))
	if bounds := Between(early, late, unseen, s.At); bounds != "" {
		text += ", " + bounds
	}
	return text
}

// beltShort is where the belt stood, its limit, and how far it has run since.
func beltShort(s *supervisor.Snapshot) string {
	b := &s.Belt
	text := fmt.Sprintf("offset not read in the %s since realignment; limit %.1f mm", Metres(b.SinceRealignMM), b.OffsetLimitMM)
	if b.OffsetMM != nil {
		text = fmt.Sprintf("offset %+.1f mm at the last check, %s ago; limit %.1f mm", *b.OffsetMM, Metres(b.SinceCheckMM), b.OffsetLimitMM)
	}
	if f := &b.Drift; f.Basis != belt.OnReadings && b.OffsetMM != nil {
		text += fmt.Sprintf("; at worst %.1f mm by now", b.WorstOffsetMM)
	}
	if b.UncertainMM > 0 {
		text += fmt.Sprintf("; %s uncertain", Metres(b.UncertainMM))
	}
	if where := SeamText(b); strings.HasPrefix(where, "position un") {
		text += "; seam " + where
	}
	return text
}

// careShort names what is due now, or else what is due next.
func careShort(list []supervisor.CareView) string {
	var due []string
	next := -1
	for i, c := range list {
		switch {
		case c.Parts == nil:
		case *c.Parts == 0:
			due = append(due, c.Name)
		case next < 0 || *c.Parts < *list[next].Parts:
			next = i
		}
	}
	switch {
	case len(due) > 3:
		return fmt.Sprintf("due now: %s and %d more", strings.Join(due[:3], ", "), len(due)-3)
	case len(due) > 0:
		return "due now: " + strings.Join(due, ", ")
	case next >= 0:
		return fmt.Sprintf("%s in %s", list[next].Name, Count(*list[next].Parts, "part"))
	}
	return ""
}

// DoNow is what a person at a terminal has to do now, and the command lines for it, to be given one
// after the other.
func DoNow(s *supervisor.Snapshot) (text string, steps []string) {
	watch := []string{"beltwarden status --watch"}
	switch {
	case s.Recovery != nil && s.Recovery.ResumesAt != nil:
		return "keep hands off; to keep it from resuming", []string{"beltwarden alert acknowledge"}
	case s.State == supervisor.Aborting:
		text, steps = "keep hands off hot parts; the heaters are being switched off", watch
	case s.Advice != "" && s.Recovery == nil, s.State.Acting() && s.Advice != "":
		text, steps = s.Advice, s.Steps
		if len(steps) > 0 {
			text = strings.TrimSuffix(text, ": "+strings.Join(steps, ", then "))
		}
		if p := s.Line.Problem; p != "" && strings.HasSuffix(text, ": "+p) { // the headline says which
			text = strings.TrimSuffix(text, ": "+p)
			if len(steps) == 0 {
				steps = watch
			}
		}
	case s.Recovery != nil && !s.State.Acting() && len(s.Recovery.Options) > 0:
		text, steps = s.Recovery.Options[0].Text, s.Recovery.Options[0].Steps
	}
	if text == "" {
		switch s.State {
		case supervisor.Execute:
			text, steps = "nothing; keep your hands clear: it heats and moves. To hold after this part", []string{"beltwarden hold"}
			if s.Next != nil && s.Next.Parts > 0 {
				text = "nothing until " + Clock(s.Next.At, s.At) + text[len("nothing"):]
			}
		case supervisor.Starting, supervisor.Unholding, supervisor.Unsuspending:
			text, steps = "keep your hands clear: it heats and moves. To stop it", []string{"beltwarden stop"}
		case supervisor.Holding, supervisor.Suspending, supervisor.Completing:
			text, steps = "be there when the part is off the belt; until then keep your hands clear: it heats and moves", watch
		case supervisor.Stopping:
			text, steps = "keep your hands clear until it has stopped", watch
		case supervisor.Resetting, supervisor.Clearing:
			text, steps = "wait until the board has answered", watch
		case supervisor.Idle, supervisor.Stopped, supervisor.Aborted, supervisor.Held, supervisor.Suspended, supervisor.Complete, supervisor.Aborting:
			text, steps = "nothing; all that can be done is listed by", []string{MoreStatus}
			if s.Lot == nil || s.Lot.Status != ledger.LotOpen {
				text, steps = "open a lot", []string{"beltwarden lot start JOB --good N"}
			}
		}
	}
	if MainsOff(s) && !strings.Contains(text, "at the mains") {
		return "switch the machine off at the mains; then look at it again", []string{"beltwarden status"}
	}
	return text, steps
}

// doNow writes what to do now, and each command line whole on lines of its own.
func (st Style) doNow(s *supervisor.Snapshot) []string {
	text, steps := DoNow(s)
	if st.Live && len(steps) == 1 && strings.HasPrefix(steps[0], "beltwarden status --watch") {
		steps = nil
	}
	if text = Sentence(text); len(steps) > 0 {
		text += ":"
	} else {
		text += "."
	}
	if st.Guided {
		steps = nil
	}
	out := st.entry(entry{label: "Do now", text: text, strong: true, most: 5}, st.Terminal)
	for _, step := range steps {
		out = append(out, st.command(step)...)
	}
	return out
}

// command writes a command line that can be copied: a longer one is continued as a shell reads it.
func (st Style) command(line string) (out []string) {
	const indent, further = "  ", "      "
	line = Printable(line)
	if !st.Terminal {
		return []string{indent + line}
	}
	words, lead := strings.Fields(line), indent
	for len(words) > 0 {
		n := 1
		for n < len(words) && cells(lead+strings.Join(words[:n+1], " "))+2 <= st.width() {
			n++
		}
		if rest := lead + strings.Join(words, " "); cells(rest) <= st.width() {
			return append(out, rest)
		}
		end := ""
		if n < len(words) {
			end = ` \`
		}
		out = append(out, lead+strings.Join(words[:n], " ")+end)
		words, lead = words[n:], further
	}
	return out
}
