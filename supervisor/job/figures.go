package job

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/motion"
)

// Bounds of findings. Common practice, no source.
const (
	holdUnproven = 90 * time.Minute // a part may come off after a longer time on the belt
	belowBeltMM  = 0.05             // how far a nozzle may press into a belt
)

// figures checks the finished figures of the plan and of the part's measures.
type figures struct {
	o     *Options
	notes *notes
	p     *Plan
	m     *measures
}

// finish notes all of it.
func (f *figures) finish() {
	f.checkSettings()
	f.checkLimits()
	f.advise()
}

// checkPlacing notes what is dangerous about where the parts lie.
func (f *figures) checkPlacing() {
	p, l, o := f.p, &f.p.Placing, f.o
	if p.PitchMM < l.LeastPitchMM-1e-9 {
		f.notes.add(0, Error, "pitch-small", "raise discharge.pitch_mm, or set it to 0",
			"the pitch of %.2f mm is %.2f mm less than the %.2f mm that are needed by %s", p.PitchMM, l.LeastPitchMM-p.PitchMM, l.LeastPitchMM, l.PitchWhy)
	}
	if o.BehindMM > 0 && l.BehindNozzleMM > o.BehindMM+1e-9 {
		f.notes.add(0, Error, "reversal", "turn the part or make it shorter along the belt, or correct belt.behind_mm",
			"the belt carries plastic %.2f mm back behind the nozzle, and only %.2f mm of belt lie flat there", l.BehindNozzleMM, o.BehindMM)
	}
	switch ahead := f.m.aheadMM(); {
	case o.ToDropMM == 0:
	case l.AheadOfNozzleMM > o.ToDropMM+1e-9:
		f.notes.add(0, Error, "over-edge", "turn the part or make it shorter along the belt, or correct belt.to_drop_mm",
			"while it is printed the part reaches %.2f mm ahead of the nozzle, and the belt ends after %.2f mm", l.AheadOfNozzleMM, o.ToDropMM)
	case ahead > o.ToDropMM+1e-9:
		f.notes.add(p.Body.LastLine, Warning, "over-edge-after", "take belt moves after the part out of the job; the discharge moves the belt once the part has cooled",
			"after its last plastic the part is carried %.2f mm ahead of the nozzle, and the belt ends after %.2f mm: it hangs over or falls warm", ahead, o.ToDropMM)
	}
	if s := l.Seam; s != nil && !s.Fits {
		f.notes.add(0, Error, "seam-fit", "turn the part or make it shorter along the belt, or correct belt.loop_length_mm and belt.seam_width_mm",
			"the part takes %.2f mm of belt, and between two passages of the seam there are %.2f mm", l.FootprintMM[1]-l.FootprintMM[0], s.LoopMM-s.SeamMM)
	}
	if o.SpoolG > 0 && p.FilamentG > o.SpoolG {
		f.notes.add(0, Error, "spool-short", "split the part, or correct job.spool_g",
			"one part uses %.1f g of filament, and a full spool holds %.1f g", p.FilamentG, o.SpoolG)
	}
	f.checkAdhesion()
}

// Adhesion is how long parts have stayed on the belt. The zero value means that none were observed.
type Adhesion struct {
	Longest     time.Duration // after which a part was found good
	LookedAt    int           // parts looked at, those that came off among them
	Detached    int           // that came off
	UnknownTime bool          // one of them at an unknown time
	Earliest    time.Duration // known at which one came off; 0 for none
	HoldsFor    time.Duration // for which it is shown to hold 95 of 100 parts; 0: not shown
}

// checkAdhesion compares the time on the belt with the observed adhesion. Heating does not count:
// the part is not there yet.
func (f *figures) checkAdhesion() {
	const remedy = "watch the first part to its end, or split the job"
	g := f.o.Adhesion
	cycle, known := f.p.Duration.Round(time.Second), g.Longest.Round(time.Second)
	switch {
	case g.Detached > 0 && f.p.Duration > g.HoldsFor && (g.UnknownTime || f.p.Duration > g.Earliest):
		said := fmt.Sprintf("one part takes %v, and %d of %d parts seen came off this surface of the belt", cycle, g.Detached, g.LookedAt)
		if g.Earliest > 0 {
			said += fmt.Sprintf(", one after %v", g.Earliest.Round(time.Second))
		}
		said += "; it is not shown to hold 95 of 100 for so long"
		if g.HoldsFor > 0 {
			said += fmt.Sprintf(", but for %v", g.HoldsFor.Round(time.Second))
		}
		f.notes.add(0, Warning, "belt-hold", "clean or tape the belt and say so in a check, watch the part, or split the job", "%s", said)
	case known > 0 && cycle > known:
		f.notes.add(0, Warning, "belt-hold", remedy, "one part takes %v, and the longest that this belt has held a good part so far is %v", cycle, known)
	case known == 0 && cycle > holdUnproven:
		f.notes.add(0, Warning, "belt-hold", remedy, "one part takes %v, and it is not known that this belt holds a part longer than %v", cycle, holdUnproven)
	}
}

// advise notes what the part's place and filament show.
func (f *figures) advise() {
	p := f.p
	back := f.m.backMM(f.o)
	f.checkPlacing()
	if back > 1 {
		f.notes.add(0, Info, "low-travel", "raise the nozzle above the part's height before such moves, also before the part begins, and the parts lie closer",
			"without rising above the part the nozzle goes %.2f mm beyond it, to where the part before would stand; the pitch allows for it", back)
	}
	if least := max(f.o.PitchMM, p.Placing.LeastPitchMM); p.BeltAdvanceMM > least+0.01 {
		f.notes.add(p.Body.LastLine, Info, "belt-carried-on", "take belt moves after the part out of the job, or mark its end with ;beltwarden body end, and the parts lie closer",
			"the part itself carries the belt on by %.2f mm, which is the pitch; %.2f mm would do", p.BeltAdvanceMM, least)
	}
	if little := p.FilamentMM / p.FilamentGrossMM; !p.Begin.RelativeE && (p.FilamentGrossMM > 100 && little < 0.05 || p.FilamentGrossMM > 5 && little < 0.01) {
		f.notes.add(p.Body.FirstLine, Error, "extruder-mode", "say which it is: write M82 or M83 at the start of the job",
			"of %.0f mm of filament pushed %.1f mm stay in the part: its E words are probably relative, and the file does not say so", p.FilamentGrossMM, p.FilamentMM)
	}
	if p.LeadOutBeltMM > 0 {
		f.notes.add(p.LeadOut.FirstLine, Info, "belt-in-lead-out", "", "the lead-out moves the belt by %.2f mm in all", p.LeadOutBeltMM)
	}
	if p.FilamentMM <= 0 {
		f.notes.add(0, Warning, "no-filament", "check the extruder mode (M82, M83) in the job", "one part uses %.2f mm of filament", p.FilamentMM)
	}
}

// checkSettings notes what the body changes and no line can restore.
func (f *figures) checkSettings() {
	for k := range gcode.SettingCount {
		extra := f.p.End.Settings[k].Set &^ f.p.Begin.Settings[k].Set
		if gcode.SettingWord(k) == 204 {
			extra &^= 1 << ('S' - 'A') // it is P and T at once
		}
		if extra != 0 {
			f.notes.add(f.p.Body.FirstLine, Warning, "setting-not-before", "set it before the part too, so that every part begins alike",
				"M%d is set inside the part and not before it: the first part begins with the board's own value, later ones with the job's unless the board reports its own", gcode.SettingWord(k))
		}
	}
	added := slices.DeleteFunc(f.p.End.Lasting.Added(&f.p.Begin.Lasting), func(line string) bool { return strings.HasPrefix(line, "M106 ") || strings.HasPrefix(line, "M141 ") })
	if len(added) > 0 {
		f.notes.add(f.p.Body.FirstLine, Warning, "setting-not-before", "set it before the part too, so that every part begins alike",
			"set inside the part and not before it, so that the first part begins with the board's own value, later ones with the job's unless the board reports its own: %s", strings.Join(added, ", "))
	}
}

// checkLimits notes what the board's known limits do not allow. A job that sets limits of its own
// raises them on the board too.
func (f *figures) checkLimits() {
	speed, accel, force := f.p.PeakSpeedMMPerS, f.p.PeakAccelMMPerS2, limitsOf(&f.p.End, f.o.Motion)
	for a, asked := range [motion.Axes][2]float64{{speed.X, accel.X}, {speed.Y, accel.Y}, {speed.Z, accel.Z}, {speed.E, accel.E}} {
		f.noteClipped("speed", "mm/s", "M203", a, asked[0], f.o.Known.SpeedMMPerS[a], force.SpeedMMPerS[a])
		f.noteClipped("acceleration", "mm/s²", "M201", a, asked[1], f.o.Known.AccelMMPerS2[a], force.AccelMMPerS2[a])
	}
}

// noteClipped notes an axis of which the job demands more than the board's own limit.
func (f *figures) noteClipped(what, unit, word string, axis int, asked, own, inForce float64) {
	if own <= 0 || asked <= own*1.001 {
		return
	}
	remedy := "nothing to do: the board goes no faster, and the time is computed with that"
	if inForce > own {
		remedy = "take " + word + " out of the job unless the machine can bear it: the job sets the board's limit to " +
			strconv.FormatFloat(inForce, 'f', -1, 64) + " " + unit
	}
	f.notes.add(0, Info, what+"-clipped", remedy, "axis %s: the job demands %.0f %s; the board allows %.0f", gcode.Axis(axis), asked, unit, own)
}
