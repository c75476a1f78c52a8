package job

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"beltwarden/supervisor/gcode"
)

// spelled writes a word in one of the ways that files have: case, blanks, leading zeros,
// a line number with its sum, a comment.
func spelled(word string, r *rand.Rand) string {
	letter, number := word[:1], word[1:]
	switch r.IntN(6) {
	case 0:
		return strings.ToLower(letter) + number + " s1"
	case 1:
		return "  " + letter + " " + number + "S1"
	case 2:
		return letter + "0" + number + "\tS1 ; why"
	case 3:
		line, sum := "N7 "+word+" S1", byte(0)
		for _, c := range []byte(line) {
			sum ^= c
		}
		return fmt.Sprintf("%s*%d", line, sum)
	case 4:
		return "(aside) " + word + " (aside) S1"
	}
	return word + " S1"
}

// Words that nobody knows are counted by word, in order of their first line, however
// they are spelled; each is sent as it is and changes nothing that is computed.
func TestCrowdOfWords(t *testing.T) {
	plain, err := inspectText(t, start+"G1 X6 E5\nG1 X7 Y9 E6\nM104 S0\n", upright)
	if err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 7))
		text := start + "G1 X6 E5\n"
		line := int64(8)
		var want []Unknown
		others := int64(0)
		at := map[string]int{}
		for range 3000 {
			// Beyond 5000 no board's word is known to us; G5000 and M5000 are two words.
			word := fmt.Sprintf("%c%d", "GM"[r.IntN(2)], 5000+r.IntN(1+int(seed)*10))
			line++
			text += spelled(word, r) + "\n"
			k, seen := at[word]
			switch {
			case seen:
				want[k].Count++
			case len(want) < maxUnknown:
				at[word] = len(want)
				want = append(want, Unknown{Word: word, Line: line, Count: 1})
			default:
				others++
			}
		}
		p, err := inspectText(t, text+"G1 X7 Y9 E6\nM104 S0\n", upright)
		if err != nil {
			t.Fatal(err)
		}
		got := slices.Clone(p.Unknown)
		if others > 0 {
			k := slices.IndexFunc(got, func(u Unknown) bool { return u.Word == "others" })
			if k < 0 || int64(got[k].Count) != others {
				t.Fatalf("seed %d: %d others, want %d", seed, k, others)
			}
			got = slices.Delete(got, k, k+1)
		}
		if !slices.Equal(got, want) {
			t.Fatalf("seed %d: got %+v\nwant %+v", seed, got, want)
		}
		if p.End != plain.End || p.FilamentMM != plain.FilamentMM || p.BeltTravelMM != plain.BeltTravelMM || p.ExtentMM != plain.ExtentMM || p.Blocked() {
			t.Fatalf("seed %d: words that are not understood changed what was computed", seed)
		}
		sent := 0
		for _, l := range section(t, p, Body) {
			if strings.HasPrefix(l, "G5") || strings.HasPrefix(l, "M5") {
				sent++
			}
		}
		if sent != 3000 {
			t.Fatalf("seed %d: %d of 3000 sent", seed, sent)
		}
		if n := countOf(p, "checksum-wrong"); n != 0 {
			t.Fatalf("seed %d: %d right checksums are called wrong", seed, n)
		}
	}
}

func countOf(p *Plan, code string) (n int) {
	for _, f := range p.Findings {
		if f.Code == code {
			n++
		}
	}
	return n
}

// Of these words each is known or not; what is known is followed, and what is not is
// listed. Meanings are common practice of boards, no source.
func TestWordsKnownAndUnknown(t *testing.T) {
	for _, c := range []struct {
		line, unknown string
		check         func(p *Plan) bool // what must follow from the line, standing before the second half of the part
	}{
		{"M221 S50", "", func(p *Plan) bool { return p.FilamentMM == 5+0.5 }},
		{"M221 T0 S200", "", func(p *Plan) bool { return p.FilamentMM == 5+2 }},
		{"M221 T1 S200", "", func(p *Plan) bool { return p.FilamentMM == 5+1 }},
		{"M220 S50", "", func(p *Plan) bool { return p.End.FeedPercent == 50 }},
		{"M220 B", "M220", func(p *Plan) bool { return p.End.FeedPercent == 100 }},
		{"M201 X900 Y800", "", setting(201, 'Y', 800)},
		{"M203 Z12", "", setting(203, 'Z', 12)},
		{"M204 P700 T900", "", setting(204, 'T', 900)},
		{"M204 S650", "", setting(204, 'P', 650)},
		{"M205 X8 J0.02", "", setting(205, 'J', 0.02)},
		{"M92 E410", "", setting(92, 'E', 410)},
		{"G10", "", func(p *Plan) bool { return p.End.FirmwareRetracted }},
		{"G10\nG11", "", func(p *Plan) bool { return !p.End.FirmwareRetracted }},
		{"G10 P1 X2", "G10", func(p *Plan) bool { return !p.End.FirmwareRetracted }},
		{"G10 L2 P1", "G10", func(p *Plan) bool { return !p.End.FirmwareRetracted }},
		{"T0", "", func(p *Plan) bool { return p.End.Tool == 0 }},
		{"T1", "", func(p *Plan) bool { return p.End.Tool == 1 }},
		{"G64 P0.01", "G64", nil},
		{"M900 K0.05", "", setting(900, 'K', 0.05)},
		{"M572 D0 S0.05", "", lasting("M572 D0 S0.05")},
		{"CLIP_COUNT N=3", "CLIP_COUNT", nil},
		{"G1.5 X9", "G1.5", func(p *Plan) bool { return p.ExtentMM.X[1] == 7 }},
		{"M106 P2 S90", "", func(p *Plan) bool { return p.End.FanS == 0 && lasting("M106 P2 S90")(p) }},
		{"m106s90", "", func(p *Plan) bool { return p.End.FanS == 90 }},
		{"M117 G1 X900 E50", "", func(p *Plan) bool { return p.ExtentMM.X[1] == 7 && p.FilamentMM == 6 }},
	} {
		p, err := inspectText(t, start+"G1 X6 E5\n"+c.line+"\nG1 X7 E6\nM104 S0\n", upright)
		if err != nil {
			t.Errorf("%s: %v", c.line, err)
			continue
		}
		var names []string
		for _, u := range p.Unknown {
			names = append(names, u.Word)
		}
		if got := strings.Join(names, " "); got != c.unknown {
			t.Errorf("%s: %q is unknown, want %q", c.line, got, c.unknown)
		}
		if c.check != nil && !c.check(p) {
			t.Errorf("%s: what it does was not followed, or something else was: filament %v, extent %v, end %+v", c.line, p.FilamentMM, p.ExtentMM, p.End)
		}
	}
	// 5 mm³ of filament 1.75 mm thick are 5 / (pi/4 * 1.75²) = 2.0788 mm of it.
	p, err := inspectText(t, start+"M200 D1.75\nG1 X6 E5\nM104 S0\n", upright)
	if err != nil || math.Abs(p.FilamentMM-2.0788) > 1e-4 || p.End.PositionMM[gcode.E] != 5 || texts(p.Added) != "11:M200 D0" {
		t.Errorf("volumes: %v %v mm, E%v, added %q", err, p.FilamentMM, p.End.PositionMM[gcode.E], texts(p.Added))
	}
}

// lasting wants arguments of other words to be in force at the end of the part, and no more.
func lasting(lines ...string) func(p *Plan) bool {
	return func(p *Plan) bool { return slices.Equal(p.End.Lasting.Lines(), lines) }
}

// setting wants a sticky machine setting to be in force at the end of the part.
func setting(word int, letter byte, want float64) func(p *Plan) bool {
	return func(p *Plan) bool {
		v, ok := p.End.Setting(word).Get(letter)
		return ok && v == want
	}
}

// The same line in capital or small letters, with blanks anywhere or nowhere, numbered
// or not, does the same.
func TestSpellingsAreOneLine(t *testing.T) {
	want := gcode.NewState()
	if _, err := want.Apply([]byte("G1 X1.5 Y-2 E.25 F1200")); err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"g1x1.5y-2e.25f1200", "G1X1.5Y-2E.25F1200", " G 1 X 1.5 Y -2 E .25 F 1200 ", "G01 X01.50 Y-2.0 E0.250 F1200.",
		"N9G1X1.5Y-2E.25F1200*1", "n9 g1 x1.5 y-2 e.25 f1200 *1", "G1\tX1.5\tY-2\tE.25\tF1200", "G1 F1200 E.25 Y-2 X1.5", "G1 X+1.5 Y-2 E+.25 F+1200", "(a)G1(b)X1.5(c)Y-2(d)E.25(e)F1200(f);g"} {
		s := gcode.NewState()
		if _, err := s.Apply([]byte(line)); err != nil || s != want {
			t.Errorf("%q: got %+v, %v", line, s, err)
		}
	}
}
