package browser

import (
	"testing"

	"beltwarden/config"
	"beltwarden/supervisor"
)

// heldOnce is a workshop whose machine has made two clips and waits for a visit.
func heldOnce(t *testing.T) *workshop {
	t.Helper()
	w := newWorkshop(t, 0, func(c *config.Settings) { c.Hold.EveryParts = 2 })
	w.order("plant-stake clips", 12)
	w.reach(supervisor.Held)
	return w
}

// A visit with mistakes is refused with each mistake beside its field; what was
// typed stays; corrected, it is recorded. With scripts and without.
func TestVisitRefusedAndCorrected(t *testing.T) {
	beside(t)
	for _, scripts := range []bool{true, false} {
		w := heldOnce(t)
		b := open(t, w.url, phone)
		b.scripts(scripts)
		b.visit("/")
		b.press("Record a visit")
		b.find("Record a visit", "heading")
		b.shot("empty")
		b.fill("How far", "two")
		b.fill("Good parts", "1.5")
		for _, group := range []string{"Scrap", "Lengths", "Bin", "Your name and a note"} {
			b.unfold(group)
		}
		b.choose("Scrap, reason 1", "warped")
		b.fill("How many for reason 1", "1")
		b.fill("Lengths measured", "38.1 37,9 cm")
		b.fill("Your name", "Ada")
		b.fill("Note", `first clip lay <crooked> & "low"`)
		b.tick("I have emptied the bin")
		b.press("Record only")
		b.sees("Nothing was recorded")
		b.shot("refused")
		if scripts {
			b.lawful()
		}
		for label, typed := range map[string]string{"How far": "two", "Good parts": "1.5", "Lengths measured": "38.1 37,9 cm"} {
			x := b.find(label, boxes...)
			if x.props["invalid"] != "true" || x.value != typed {
				t.Errorf("%s holds %q and is wrong: %q; want %q, and true", label, x.value, x.props["invalid"], typed)
			}
			if w := lastWord(typed); !contains(x.about, w) {
				t.Errorf("%s is described as %q, which does not say what is wrong with %q", label, x.about, w)
			}
		}
		for label, typed := range map[string]string{"Scrap, reason 1": "warped", "How many for reason 1": "1", "Your name": "Ada", "Note": `first clip lay <crooked> & "low"`} {
			if got := b.value(label); got != typed {
				t.Errorf("%s holds %q, want what was typed: %q", label, got, typed)
			}
		}
		if b.find("I have emptied the bin", ticks...).props["checked"] != "true" {
			t.Error("what was ticked is no longer")
		}
		if got := w.checks(); len(got) != 0 {
			t.Fatalf("recorded all the same: %+v", got)
		}
		// Beyond what there is: the machine refuses, not the form.
		b.tick("Left")
		b.fill("How far", "0,4")
		b.fill("Good parts", "7")
		b.fill("Lengths measured", "38.1 37,9")
		b.press("Record only")
		b.sees("Nothing was recorded")
		b.shot("refused-by-the-machine")
		if x := b.find("Good parts", boxes...); x.props["invalid"] != "true" || x.value != "7" {
			t.Errorf("7 good parts of 2: %+v", x)
		}
		b.fill("Good parts", "1")
		b.press("Record only")
		b.sees("The visit is recorded", "1 of 12 good")
		b.shot("recorded")
		got := w.checks()
		if len(got) != 1 {
			t.Fatalf("recorded %d times: %+v", len(got), got)
		}
		c := got[0]
		if c.Good != 1 || c.Scrap["warped"] != 1 || c.OffsetMM == nil || *c.OffsetMM != -0.4 || c.By != "Ada" || !c.BinEmptied ||
			len(c.LengthsMM) != 2 || c.LengthsMM[1] != 37.9 || c.Note != `first clip lay <crooked> & "low"` {
			t.Errorf("recorded %+v", c)
		}
	}
}

// A reading that is odd is asked back, and taken when it is said to be so. Recording
// can let the machine go on in the same step.
func TestVisitAskedBackAndGoneOn(t *testing.T) {
	beside(t)
	w := heldOnce(t)
	b := open(t, w.url, phone)
	b.visit("/visit")
	b.tick("Right")
	b.fill("How far", "9.5")
	b.tick("I have realigned the belt")
	b.tick("All 2 parts")
	b.press("Record and unhold")
	b.sees("Nothing was recorded")
	b.shot("asked-back")
	b.lawful()
	if got := w.checks(); len(got) != 0 {
		t.Fatalf("recorded all the same: %+v", got)
	}
	b.tick("I have checked again")
	b.press("Record and unhold")
	b.sees("the machine goes on", "2 of 12 good")
	b.shot("gone-on")
	if got := w.checks(); len(got) != 1 || got[0].Good != 2 || !got[0].Realigned || *got[0].OffsetMM != 9.5 {
		t.Errorf("recorded %+v", got)
	}
	w.heldAgain(4)
}
