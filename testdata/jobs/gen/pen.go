package main

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
)

// Geometry of the extruded line, mm. A 0.8 mm nozzle keeps the files short.
const (
	layerMM    = 0.4
	lineMM     = 0.8
	filamentMM = 1.75
	retractMM  = 1.5
)

// pen writes moves and keeps position and filament coherent with what was
// written: every value is rounded as it is printed.
type pen struct {
	out        bytes.Buffer
	x, y, z, e float64
	relativeE  bool
	drawn      bool // filament is drawn back
}

func (p *pen) put(format string, args ...any) { fmt.Fprintf(&p.out, format+"\n", args...) }

// perMM is the filament for one millimetre of line.
func perMM() float64 { return layerMM * lineMM / (math.Pi * filamentMM * filamentMM / 4) }

func (p *pen) eWord(lengthMM float64) string {
	step := round(lengthMM*perMM(), 5)
	p.e = round(p.e+step, 5)
	if p.relativeE {
		return " E" + num(step)
	}
	return " E" + num(p.e)
}

// filament moves the extruder alone.
func (p *pen) filament(byMM, feed float64) {
	p.e = round(p.e+byMM, 5)
	value := p.e
	if p.relativeE {
		value = byMM
	}
	p.put("G1 E%s F%s", num(value), num(feed))
}

func (p *pen) retract() {
	if !p.drawn {
		p.filament(-retractMM, 2400)
		p.drawn = true
	}
}

func (p *pen) prime() {
	if p.drawn {
		p.filament(retractMM, 2400)
		p.drawn = false
	}
}

// zero sets the extruder coordinate back to zero.
func (p *pen) zero() {
	p.put("G92 E0")
	p.e = 0
}

// travel goes to x, y without extruding.
func (p *pen) travel(x, y float64) {
	p.x, p.y = round(x, 3), round(y, 3)
	p.put("G0 X%s Y%s F6000", num(p.x), num(p.y))
}

// line extrudes to x, y.
func (p *pen) line(x, y float64) {
	x, y = round(x, 3), round(y, 3)
	e := p.eWord(math.Hypot(x-p.x, y-p.y))
	p.x, p.y = x, y
	p.put("G1 X%s Y%s%s", num(x), num(y), e)
}

// arc extrudes a quarter or a full turn, counter-clockwise, about x+i, y+j.
func (p *pen) arc(x, y, i, j float64) {
	x, y = round(x, 3), round(y, 3)
	r := math.Hypot(i, j)
	sweep := math.Atan2(-i*(y-p.y-j)+j*(x-p.x-i), -i*(x-p.x-i)-j*(y-p.y-j))
	if x == p.x && y == p.y {
		sweep = 2 * math.Pi
	}
	e := p.eWord(r * math.Abs(sweep))
	p.x, p.y = x, y
	p.put("G3 X%s Y%s I%s J%s%s", num(x), num(y), num(round(i, 3)), num(round(j, 3)), e)
}

func (p *pen) feed(f float64) { p.put("G1 F%s", num(f)) }

// outline draws a rectangle with round corners of radius r, begun at its lower
// edge.
func (p *pen) outline(x0, y0, x1, y1, r float64) {
	p.retract()
	p.travel(x0+r, y0)
	p.prime()
	p.feed(1500)
	p.line(x1-r, y0)
	p.arc(x1, y0+r, 0, r)
	p.line(x1, y1-r)
	p.arc(x1-r, y1, -r, 0)
	p.line(x0+r, y1)
	p.arc(x0, y1-r, 0, -r)
	p.line(x0, y0+r)
	p.arc(x0+r, y0, r, 0)
}

// zigzag fills a rectangle with lines along x, y apart.
func (p *pen) zigzag(x0, y0, x1, y1, apart float64) {
	p.retract()
	p.travel(x0, y0)
	p.prime()
	p.feed(2400)
	right := true
	for y := y0; ; {
		if right {
			p.line(x1, y)
		} else {
			p.line(x0, y)
		}
		right = !right
		if y += apart; y > y1 {
			return
		}
		p.line(p.x, y)
	}
}

func round(v float64, places int) float64 {
	k := math.Pow10(places)
	return math.Round(v*k) / k
}

func num(v float64) string {
	if v == 0 {
		return "0"
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
