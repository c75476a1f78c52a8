package job

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"beltwarden/supervisor/gcode"
)

// What the real part takes on the wire, counted in the file with search patterns.
// It has no comments and no zeros at the end of a number, but zeros before points.
func TestBytesOfRealJob(t *testing.T) {
	raw, err := os.ReadFile(jobs + "buttons.gcode")
	if err != nil {
		t.Fatal(err)
	}
	body := strings.Join(strings.SplitAfter(string(raw), "\n")[10:36653], "") // lines 11 to 36653
	source := int64(len(body))
	zeros := int64(len(regexp.MustCompile(`[A-Z]-?0\.`).FindAllString(body, -1)))
	// A blank goes unless an E word or a number 0 makes it needed.
	blanks := int64(strings.Count(body, " ") - strings.Count(body, " E") - len(regexp.MustCompile(`[A-Z]0 [^E]`).FindAllString(body, -1)))
	for form, saved := range map[gcode.Form]int64{gcode.Spaced: zeros, gcode.Tight: zeros + blanks} {
		o := upright
		o.Form = form
		p := mustInspect(t, jobs+"buttons.gcode", o)
		if p.SentSourceBytes != source || p.SentSourceBytes-p.WireBytes != saved {
			t.Errorf("form %d: %d bytes in the file, %d on the wire; want %d and %d", form, p.SentSourceBytes, p.WireBytes, source, source-saved)
		}
		t.Logf("form %d: %d of %d bytes", form, p.WireBytes, p.SentSourceBytes)
	}
}

// Sizes counted by hand: what is sent saves what it is shorter, and what is
// withheld, added or a comment alone counts on neither side.
func TestBytesSent(t *testing.T) {
	for name, r := range map[string]struct {
		body         string
		source, wire int64
	}{
		"comments and zeros": {"G1 X6.00 E5.0 ; wall\n; only a comment\n\nG1  X0.50  E6\nM107\n G1 X7 E7",
			21 + 14 + 5 + 10, 9 + 10 + 5 + 9},
		"CR and LF count as one": {"G1 X6 E5\r\nG1 X7 E6", 9 + 9, 9 + 9},
		"withheld":               {"G1 X6 E5\nM155 S5 ; reports\nG1 X7 E6", 9 + 9, 9 + 9},
		"heater off in between":  {"G1 X6 E5\nM140 S0.00 ; early\nG1 X7 E6", 9 + 9, 9 + 9},
		"repeated inside":        {";beltwarden body begin\nG1 X6 E5\nM808 L3\nG1 X7.0 E6\nM808\n;beltwarden body end", 9 + 3*11, 9 + 3*9},
		"named command and text": {"G1 X6 E5\nM117 0.50 done ; note\nG1 X7 E6", 9 + 22 + 9, 9 + 15 + 9},
	} {
		t.Run(name, func(t *testing.T) {
			p, err := inspectText(t, start+r.body+"\nM104 S0\n", upright)
			if err != nil {
				t.Fatal(err)
			}
			if p.SentSourceBytes != r.source || p.WireBytes != r.wire {
				t.Errorf("%d bytes in the file, %d on the wire; want %d and %d", p.SentSourceBytes, p.WireBytes, r.source, r.wire)
			}
			if wire, saved := sent(t, p, Body); wire != r.wire || saved != r.source-r.wire {
				t.Errorf("given out %d bytes, saved %d", wire, saved)
			}
		})
	}
}

// sent reads a section and returns its bytes on the wire and those saved.
func sent(t *testing.T, p *Plan, kind SectionKind) (wire, saved int64) {
	t.Helper()
	r, err := p.Open(kind)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for {
		line, err := r.Next(nil)
		if errors.Is(err, io.EOF) {
			return wire, r.SavedBytes()
		}
		if err != nil {
			t.Fatal(err)
		}
		wire += int64(len(line)) + 1
	}
}

// Every example in both forms: what is announced is what is given out, and the
// run it leads to is the same.
func TestFormsLeadToTheSameState(t *testing.T) {
	files, err := filepath.Glob(jobs + "*.gcode")
	if err != nil || len(files) < 6 {
		t.Fatalf("%d jobs, %v", len(files), err)
	}
	for _, path := range files {
		var plans [2]*Plan
		for k, form := range []gcode.Form{gcode.Spaced, gcode.Tight} {
			o := upright
			if strings.Contains(path, "tilted") {
				o = tilted
			}
			o.Form = form
			p := mustInspect(t, path, o)
			plans[k] = p
			if wire, saved := sent(t, p, Body); wire != p.WireBytes || saved != p.SentSourceBytes-p.WireBytes {
				t.Errorf("%s: %d bytes given out, %d announced", path, wire, p.WireBytes)
			}
			s := gcode.NewState()
			play(t, p, LeadIn, &s)
			play(t, p, Body, &s)
			if s != p.End {
				t.Errorf("%s: form %d leads to %+v, want %+v", path, form, s, p.End)
			}
		}
		if plans[0].End != plans[1].End || plans[0].BeltTravelMM != plans[1].BeltTravelMM || plans[0].WireBytes <= plans[1].WireBytes {
			t.Errorf("%s: the forms differ in more than bytes", path)
		}
	}
}
