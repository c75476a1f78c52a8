package job

import "beltwarden/supervisor/gcode"

// usage is what the file relies on without saying it. Boards start in
// millimetres and absolute, but a board that has run other jobs may not be so.
type usage struct {
	units, distance, extruder              bool // the file has said it, or it was noted as needed
	needUnits, needDistance, needExtruder  bool
	needExtruderZero, needBeltZero         bool
	relative                               bool // needExtruder, and E words are relative
	lost                                   bool // positions were lost once
	split                                  bool // G90/G91 and M82/M83 disagree; see ambiguous
	bedSet, nozzleSet                      bool
	nozzleWait                             int64   // first line that waits for the nozzle
	bedOff                                 int64   // first line that switches the bed off
	sayHeats                               string  // how to say in the configuration what a named word heats
	waitedC                                float64 // what the nozzle was waited to reach
	unhomed, cold, noFeed, relativeUnknown bool    // noted already

	waits    []waiting       // words that wait for someone
	signs    [signKinds]bool // of what is printed, before any filament
	heats    otherHeaters
	routines []waiting // routines of the board outside the part, each once
	filament filament
}

// beforeMove is told of G0 to G3 before it is applied.
func (i *inspector) beforeMove() {
	u, belt := &i.use, i.o.BeltAxis
	hasE := i.l.Has('E')
	if hasE && i.section == LeadIn && i.cut == byItself {
		i.before = i.here()
	}
	if !u.units {
		u.units, u.needUnits = true, true
	}
	if hasE {
		i.beforeExtruder()
	}
	if hasE && u.split && i.section == LeadOut {
		i.leaveOut()
	}
	moves := false
	for a := gcode.X; a <= gcode.Z; a++ {
		if !i.l.Has(a.Letter()) {
			continue
		}
		moves = true
		if i.st.Known[a] || u.lost {
			continue
		}
		if a == belt {
			// Movement so far is counted from where the belt stood at the start, so
			// calling that place zero makes the coordinate known from there on.
			u.needBeltZero = true
			i.st.Known[a] = true
		} else if !i.st.Relative && !u.unhomed {
			u.unhomed = true
			i.notes.find(i.n, Warning, "not-homed", "home the axes at the start of the job", "axis %s is moved before it was homed", a)
		}
	}
	if moves && !u.distance {
		u.distance, u.needDistance = true, true
	}
}

// watch notes what is worth knowing of a line that is sent. known is what was
// known of the axes before it.
func (i *inspector) watch(e *gcode.Effect, known [gcode.AxisCount]bool) {
	switch e.Kind {
	case gcode.KindMove:
		i.watchMove(e, known)
	case gcode.KindSet:
		i.watchMode()
	case gcode.KindHome:
		if i.section == LeadOut && e.Names(gcode.Z) {
			i.notes.find(i.n, Warning, "homed-at-end", "home only X at the end", "Z is homed at the end, where the last part may stand")
		}
	case gcode.KindTool:
		i.toolChosen()
	case gcode.KindUnknown:
		i.chamber()
		i.watchUnknown(e)
	}
	if i.wireBytes > maxLineOnWire {
		i.notes.find(i.n, Warning, "long-on-wire", "shorten it; number and checksum come on top", "the line has %d bytes, and boards commonly hold %d", i.wireBytes, maxLineOnWire)
	}
	if i.l.Letter != 'M' {
		return
	}
	if a := adviceFor(&i.l); a.code != "" {
		i.notes.find(i.n, Warning, a.code, a.remedy, "%s", a.text)
	}
	if waitsForSomeone(&i.l) && len(i.use.waits) < maxPerCode {
		i.use.waits = append(i.use.waits, waiting{i.n, i.l.Name()})
	}
}

func (i *inspector) watchMove(e *gcode.Effect, known [gcode.AxisCount]bool) {
	i.watchPlace(e)
	if i.section != Body {
		return
	}
	u := &i.use
	for a := gcode.X; a <= gcode.Z; a++ {
		if e.Names(a) && i.st.Relative && !known[a] && !u.relativeUnknown {
			u.relativeUnknown = true
			i.notes.problem(i.n, "position-unknown", "home the axis or move to an absolute coordinate before G91", "axis %s is moved relatively from an unknown position", a)
		}
	}
	if !e.Extruding {
		return
	}
	if i.st.NozzleTargetC < 150 && !u.cold {
		u.cold = true
		severity := Warning
		if i.st.NozzleTargetC == 0 {
			severity = Error
		}
		remedy := "set the nozzle temperature before the part"
		if u.sayHeats != "" {
			remedy = "write into the configuration what heats it, under job.named_words: - " + u.sayHeats
		}
		i.notes.find(i.n, severity, "cold-extrusion", remedy, "filament is pushed with the nozzle set to %g C", i.st.NozzleTargetC)
	}
	if e.FeedMMPerMin == 0 && !u.noFeed {
		u.noFeed = true
		i.notes.find(i.n, Warning, "no-feed", "give F in the first move of the part", "the speed is the board's own, since no feed was set")
	}
}

// watchMode follows which modes the file has set.
func (i *inspector) watchMode() {
	u := &i.use
	switch {
	case i.l.Is('G', 20), i.l.Is('G', 21):
		u.units = true
	case i.l.Is('G', 90), i.l.Is('G', 91):
		u.distance = true
		u.split = i.st.Relative != i.st.RelativeE
	case i.l.Is('M', 82), i.l.Is('M', 83):
		u.extruder = true
		u.split = false
	}
}

func (i *inspector) watchUnknown(e *gcode.Effect) {
	i.notes.unknownWord(i.n, &i.l, adviceFor(&i.l).code == "" && !waitsForSomeone(&i.l) && !e.Lost && !heatsChamber(&i.l))
	if what := shifts(&i.l); what != "" && i.section == Body {
		i.notes.problem(i.n, "shifted-in-part", "take it out of the part, or have it before the part",
			"%s %s", i.l.Name(), what)
		return
	}
	if !e.Lost {
		return
	}
	i.use.lost = true
	if i.section == Body {
		i.notes.problem(i.n, "motion-unknown", "take it out of the part, or mark the part with ;beltwarden body begin and ;beltwarden body end",
			"%s moves the machine, or shifts coordinates, in a way that cannot be followed", i.l.Name())
		return
	}
	if isRoutine(&i.l) {
		i.routine(waiting{i.n, i.l.Name()})
		return
	}
	i.notes.find(i.n, Warning, "motion-unknown", "make sure that it does not move the belt", "%s moves the machine, or shifts coordinates, in a way that cannot be followed", i.l.Name())
}

// isRoutine reports whether a word is a routine of the board that machines have in start and end code:
// levelling, cleaning the nozzle, parking.
func isRoutine(l *gcode.Line) bool {
	if l.Letter != 'G' || l.Sub != 0 {
		return false
	}
	switch l.Number {
	case 12, 27, 29, 30, 33, 34, 35, 76, 425:
		return true
	}
	return false
}

// routine notes one outside the part.
func (i *inspector) routine(w waiting) {
	for _, r := range i.use.routines {
		if r.name == w.name {
			return
		}
	}
	i.use.routines = append(i.use.routines, w)
}

// shifts says what a word does to all that follows it that no line can bring back, or nothing.
func shifts(l *gcode.Line) string {
	const addsUp = "moves the nozzle by an amount that adds up from part to part"
	switch {
	case l.Is('M', 290) && len(l.Words()) > 0:
		return addsUp
	case l.Is('M', 206) && len(l.Words()) > 0, l.Is('M', 428):
		return "shifts coordinates, and the next part would not begin where this one did"
	case l.Letter == '#' && contains(l.Text(), "OFFSET") && contains(l.Text(), "_ADJUST"):
		return addsUp
	}
	return ""
}

// temperature follows the heaters. nozzle and bed are the targets before the line.
func (i *inspector) temperature(e *gcode.Effect, nozzleC, bedC float64) {
	i.otherNozzle(e)
	bed := e.Number == 140 || e.Number == 190
	before := nozzleC
	if bed {
		before = bedC
	}
	if _, _, current := heats(&i.l, i.st.Tool); !current {
		return
	}
	if e.Value > 0 {
		if bed {
			i.use.bedSet = true
		} else {
			i.use.nozzleSet = true
		}
		if e.Number == 109 {
			i.use.waitedC = e.Value
			if i.use.nozzleWait == 0 {
				i.use.nozzleWait = i.n
			}
		}
		for k := range i.tail.offs {
			if off := &i.tail.offs[k]; off.bed == bed && off.again == 0 {
				off.again = i.n
			}
		}
		return
	}
	if bed && i.use.bedOff == 0 {
		i.use.bedOff = i.n
	}
	if i.cut != byItself || i.section == LeadIn {
		return
	}
	if i.section == Body {
		i.enterTail(i.l.Name() + " S0")
	}
	i.tail.offs = append(i.tail.offs, heaterOff{line: i.n, bed: bed, beforeC: before, text: string(i.l.AppendClean(nil)), size: i.lineSize()})
	if len(i.tail.offs) > maxWithheld {
		i.tail.offs = i.tail.offs[1:]
		i.notes.problem(i.n, "too-many-changes", "slice the part for a belt machine", "the heaters are switched off more than %d times", maxWithheld)
	}
}
