// Package sliced writes G-code files as slicers do, for the clips and pegs of a small
// greenhouse-supplies workshop, and knows where the part in them begins and ends and what
// it takes. Tests compare that with what an inspection finds.
package sliced

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Truth is what is known of a file because it was written so. The part begins with its first
// extruding move, skirt, brim and raft included, and ends with its last one, the filament
// drawn back after it and one lift.
type Truth struct {
	First, Last int64   // lines, from 1
	BeltMM      float64 // absolute travel along Y
	FilamentMM  float64 // that stays in the part
}

// pen writes lines and keeps count of the truth.
type pen struct {
	out   []string
	truth Truth

	x, y, z, e float64 // e by the extruder's count
	relative   bool    // E words
	arcs       bool
	retractMM  float64
	board      bool // drawn back by G10 and G11
	wipe       bool // the last of the path is gone back over while drawing back
	hopMM      float64
	marks      marks
	layers     int
	doing      string  // kind of line, written behind each by slicers that explain all
	reset      bool    // the extruder is set to 0 at each layer
	perMM      float64 // E words for 1 mm of filament: its cross-section where they are volumes, 0 means 1

	inPart, over, shut bool
	drawn              bool
	belt, filament     float64 // since the first line of the part
	lastX, lastY       float64 // where the move before the last one ended
}

func (p *pen) put(format string, args ...any) {
	p.out = append(p.out, fmt.Sprintf(format, args...))
}

func (p *pen) text(block string) {
	for line := range strings.SplitSeq(strings.Trim(block, "\n"), "\n") {
		p.put("%s", line)
	}
}

// line is the number of the line last written.
func (p *pen) line() int64 { return int64(len(p.out)) }

func round(v float64, places int) float64 {
	s := math.Pow10(places)
	return math.Round(v*s) / s
}

func num(v float64, places int) string { return strconv.FormatFloat(v, 'f', places, 64) }

// eWord is the word for filament moved by mm.
func (p *pen) eWord(mm float64) string {
	if p.perMM > 0 {
		mm *= p.perMM
	}
	mm = round(mm, 5)
	p.e = round(p.e+mm, 5)
	if p.relative {
		return " E" + num(mm, 5)
	}
	return " E" + num(p.e, 5)
}

func (p *pen) zero() {
	if p.e = 0; !p.relative {
		p.put("G92 E0")
	}
}

// ends notes that the line last written belongs to the part so far.
func (p *pen) ends() {
	if p.truth.First > 0 && !p.shut {
		p.truth.Last, p.truth.BeltMM, p.truth.FilamentMM = p.line(), round(p.belt, 6), round(p.filament, 6)
	}
}

// shutdown writes a line after which nothing of the part comes.
func (p *pen) shutdown(text string) {
	p.put("%s", text)
	p.shut = true
}

// to moves without filament.
func (p *pen) to(x, y, feed float64) {
	x, y = round(x, 3), round(y, 3)
	p.put("G0 X%s Y%s F%g", num(x, 3), num(y, 3), feed)
	p.went(x, y)
	p.over = true
}

func (p *pen) went(x, y float64) {
	p.belt += math.Abs(y - p.y)
	p.lastX, p.lastY = p.x, p.y
	p.x, p.y = x, y
}

// height goes to a height; up from the part it is its lift.
func (p *pen) height(z, feed float64, comment string) {
	up := z > p.z
	p.z = round(z, 3)
	p.put("G1 Z%s F%g%s", num(p.z, 3), feed, comment)
	if up && !p.over {
		p.ends()
	}
	p.over = true
}

// draw extrudes along a straight line, mmPerMM of filament per path.
func (p *pen) draw(x, y, mmPerMM float64) { p.spiral(x, y, p.z, mmPerMM) }

// spiral is draw with a new height.
func (p *pen) spiral(x, y, z, mmPerMM float64) {
	x, y, z = round(x, 3), round(y, 3), round(z, 3)
	de := round(math.Hypot(x-p.x, y-p.y)*mmPerMM, 5)
	if de <= 0 {
		return
	}
	word := ""
	if z != p.z {
		word = " Z" + num(z, 3)
	}
	p.extruded(fmt.Sprintf("G1 X%s Y%s%s", num(x, 3), num(y, 3), word), x, y, de)
	p.z = z
}

// corner is a quarter of a circle to the left, from heading (hx, hy).
func (p *pen) corner(r, hx, hy, mmPerMM float64) {
	x, y := round(p.x+r*(hx-hy), 3), round(p.y+r*(hy+hx), 3)
	de := round(r*math.Pi/2*mmPerMM, 5)
	p.extruded(fmt.Sprintf("G3 X%s Y%s I%s J%s", num(x, 3), num(y, 3), num(-hy*r, 3), num(hx*r, 3)), x, y, de)
}

func (p *pen) extruded(text string, x, y, de float64) {
	if p.inPart && p.truth.First == 0 {
		p.truth.First, p.belt, p.filament = p.line()+1, 0, 0
	}
	comment := ""
	if p.marks.explain {
		comment = " ; " + p.doing
	}
	p.put("%s%s%s", text, p.eWord(de), comment)
	p.went(x, y)
	p.filament += de
	p.over = false
	p.ends()
}

// back draws the filament back, on gives it back.
func (p *pen) back() {
	if p.drawn || p.retractMM == 0 && !p.board {
		return
	}
	p.drawn = true
	switch {
	case p.board:
		p.put("G10")
	case p.wipe && p.inPart:
		p.put("G1 X%s Y%s%s F3000", num(p.lastX, 3), num(p.lastY, 3), p.eWord(-p.retractMM))
		p.went(p.lastX, p.lastY)
	default:
		p.put("G1%s F2400", p.eWord(-p.retractMM))
	}
	if !p.over {
		p.ends()
	}
}

func (p *pen) on() {
	if !p.drawn {
		return
	}
	if p.drawn = false; p.board {
		p.put("G11")
		return
	}
	p.put("G1%s F2400", p.eWord(p.retractMM))
}

// away goes to the next place of the part, drawn back and lifted as is set.
func (p *pen) away(x, y float64) {
	if math.Hypot(x-p.x, y-p.y) < 0.01 {
		return
	}
	p.back()
	z := p.z
	if p.hopMM > 0 {
		p.height(z+p.hopMM, 600, "")
	}
	p.to(x, y, 9000)
	if p.hopMM > 0 {
		p.height(z, 600, "")
	}
	p.on()
	p.put("G1 F1800")
}
