package job

import "time"

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
	i.restored()
	i.held()
}

// held compares the time on the belt with the longest that a part has stayed so far.
// Heating is left out: the part is not there yet.
func (i *inspector) held() {
	const remedy = "watch the first part to its end, or split the job"
	cycle, known := i.p.Duration.Round(time.Second), i.o.HeldFor.Round(time.Second)
	off := i.o.ComesOff.Round(time.Second)
	switch {
	case off > 0 && cycle > off:
		i.notes.find(0, Warning, "belt-hold", "clean or tape the belt and say so in a check, watch the part, or split the job",
			"one part takes %v; from this surface of the belt parts have come off, and it is known to hold them for %v", cycle, off)
	case known > 0 && cycle > known:
		i.notes.find(0, Warning, "belt-hold", remedy, "one part takes %v, and the longest that this belt has held a good part so far is %v", cycle, known)
	case known == 0 && cycle > holdUnproven:
		i.notes.find(0, Warning, "belt-hold", remedy, "one part takes %v, and it is not known that this belt holds a part longer than %v", cycle, holdUnproven)
	}
}
