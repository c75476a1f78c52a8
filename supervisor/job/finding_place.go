package job

import (
	"fmt"
	"time"
)

// Bounds of findings. Common practice, no source.
const (
	holdUnproven = 90 * time.Minute // a part that stays longer on a belt may come off by itself
	belowBeltMM  = 0.05             // what a nozzle may press into a belt
)

// placed notes what is dangerous in where the parts lie.
func (i *inspector) placed() {
	p, l, o := i.p, &i.p.Placing, &i.o
	if p.PitchMM < l.LeastPitchMM-1e-9 {
		i.notes.find(0, Error, "pitch-small", "raise discharge.pitch_mm, or set it to 0",
			"the pitch of %.2f mm is %.2f mm less than the %.2f mm that are needed by %s", p.PitchMM, l.LeastPitchMM-p.PitchMM, l.LeastPitchMM, l.PitchWhy)
	}
	if o.BehindMM > 0 && l.BehindNozzleMM > o.BehindMM+1e-9 {
		i.notes.find(0, Error, "reversal", "turn the part or make it shorter along the belt, or correct belt.behind_mm",
			"the belt carries plastic %.2f mm back behind the nozzle, and only %.2f mm of belt lie flat there", l.BehindNozzleMM, o.BehindMM)
	}
	switch ahead := i.end.m.ride.aheadMM; {
	case o.ToDropMM == 0:
	case l.AheadOfNozzleMM > o.ToDropMM+1e-9:
		i.notes.find(0, Error, "over-edge", "turn the part or make it shorter along the belt, or correct belt.to_drop_mm",
			"while it is printed the part reaches %.2f mm ahead of the nozzle, and the belt ends after %.2f mm", l.AheadOfNozzleMM, o.ToDropMM)
	case ahead > o.ToDropMM+1e-9:
		i.notes.find(p.Body.LastLine, Warning, "over-edge-after", "take belt moves after the part out of the job; the discharge moves the belt once the part has cooled",
			"after its last plastic the part is carried %.2f mm ahead of the nozzle, and the belt ends after %.2f mm: it hangs over or falls warm", ahead, o.ToDropMM)
	}
	if s := l.Seam; s != nil && !s.Fits {
		i.notes.find(0, Error, "seam-fit", "turn the part or make it shorter along the belt, or correct belt.loop_length_mm and belt.seam_width_mm",
			"the part takes %.2f mm of belt, and between two passages of the seam there are %.2f mm", l.FootprintMM[1]-l.FootprintMM[0], s.LoopMM-s.SeamMM)
	}
	if o.SpoolG > 0 && p.FilamentG > o.SpoolG {
		i.notes.find(0, Error, "spool-short", "split the part, or correct job.spool_g",
			"one part uses %.1f g of filament, and a full spool holds %.1f g", p.FilamentG, o.SpoolG)
	}
	i.held()
}

// Grip is how long parts have stayed on the belt. The zero Grip knows of none.
type Grip struct {
	Longest  time.Duration // after which a part was found good
	Seen     int           // parts looked at, those that came off among them
	Detached int           // that came off
	Untold   bool          // one of them at a time that nobody told
	Earliest time.Duration // told at which one came off; 0 for none
	HoldsFor time.Duration // for which it is shown to hold 95 of 100 parts; 0 for none
}

// held compares the time on the belt with what is shown of its grip. Heating is left out:
// the part is not there yet.
func (i *inspector) held() {
	const remedy = "watch the first part to its end, or split the job"
	g := i.o.Grip
	cycle, known := i.p.Duration.Round(time.Second), g.Longest.Round(time.Second)
	switch {
	case g.Detached > 0 && i.p.Duration > g.HoldsFor && (g.Untold || i.p.Duration > g.Earliest):
		said := fmt.Sprintf("one part takes %v, and %d of %d parts seen came off this surface of the belt", cycle, g.Detached, g.Seen)
		if g.Earliest > 0 {
			said += fmt.Sprintf(", one after %v", g.Earliest.Round(time.Second))
		}
		said += "; it is not shown to hold 95 of 100 for so long"
		if g.HoldsFor > 0 {
			said += fmt.Sprintf(", but for %v", g.HoldsFor.Round(time.Second))
		}
		i.notes.find(0, Warning, "belt-hold", "clean or tape the belt and say so in a check, watch the part, or split the job", "%s", said)
	case known > 0 && cycle > known:
		i.notes.find(0, Warning, "belt-hold", remedy, "one part takes %v, and the longest that this belt has held a good part so far is %v", cycle, known)
	case known == 0 && cycle > holdUnproven:
		i.notes.find(0, Warning, "belt-hold", remedy, "one part takes %v, and it is not known that this belt holds a part longer than %v", cycle, holdUnproven)
	}
}
