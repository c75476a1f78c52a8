package job

import (
	"bufio"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// generated writes a job of at least so many bytes, the same one for the same size: a
// block of plant-stake clips, with the kinds of line that slicers write. Walls are made of
// short moves and arcs, fillings of long ones; there are comments, retractions, travels
// and a few words for fan, temperature and acceleration. Every third layer has absolute
// extruder coordinates.
func generated(t testing.TB, size int64) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "clips-"+strconv.FormatInt(size, 10)+".gcode")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	g := generator{w: bufio.NewWriterSize(f, 1<<20), r: rand.New(rand.NewPCG(4, 2026))}
	g.text("; clips for plant stakes\nG21\nG90\nM83\nM140 S60\nM104 S210\nG28 X Z\nM190 S60\nM109 S210\nG92 E0\nM204 P1000 T1500\n")
	for layer := int64(1); g.written < size; layer++ {
		g.layer(layer)
	}
	g.text("G1 E-2 F2400\nG1 Z250 F600\nM104 S0\nM140 S0\nM107\n")
	if err := g.w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// generator keeps places in thousandths of a millimetre and filament in 1e-5 mm.
type generator struct {
	w        *bufio.Writer
	r        *rand.Rand
	line     []byte
	written  int64
	x, y, e  int64
	absolute bool
}

func (g *generator) text(s string) {
	g.w.WriteString(s)
	g.written += int64(len(s))
}

// word appends a letter and a number of so many decimals, without zeros at its end.
func (g *generator) word(letter byte, v int64, places int) {
	g.line = append(g.line, ' ', letter)
	if v < 0 {
		g.line, v = append(g.line, '-'), -v
	}
	scale := int64(1)
	for range places {
		scale *= 10
	}
	g.line = strconv.AppendInt(g.line, v/scale, 10)
	if v %= scale; v == 0 {
		return
	}
	g.line = append(g.line, '.')
	for scale /= 10; v > 0; scale /= 10 {
		g.line = append(g.line, '0'+byte(v/scale))
		v %= scale
	}
}

func (g *generator) end() {
	g.line = append(g.line, '\n')
	g.w.Write(g.line)
	g.written += int64(len(g.line))
	g.line = g.line[:0]
}

// move goes on by dx, dy, and pushes filament as a line of 0.4 mm by 0.1 mm needs it,
// unless it is a travel.
func (g *generator) move(command string, dx, dy int64, push bool, rest func()) {
	if g.x+dx > 60_000 || g.x+dx < -60_000 {
		dx = -dx
	}
	if g.y+dy > 100_000 || g.y+dy < 0 {
		dy = -dy
	}
	g.x, g.y = g.x+dx, g.y+dy
	g.line = append(g.line, command...)
	g.word('X', g.x, 3)
	g.word('Y', g.y, 3)
	if push {
		g.extrude(max(1, (abs(dx)+abs(dy))*17/10))
	}
	if rest != nil {
		rest()
	}
	g.end()
}

func (g *generator) extrude(v int64) {
	g.e += v
	if g.absolute {
		v = g.e
	}
	g.word('E', v, 5)
}

func abs(v int64) int64 { return max(v, -v) }

// layer writes some 20,000 lines.
func (g *generator) layer(n int64) {
	g.absolute, g.e = n%3 == 0, 0
	g.text("; layer " + strconv.FormatInt(n, 10) + "\n" + map[bool]string{true: "M82\n", false: "M83\n"}[g.absolute] + "G92 E0\nG0 F9000")
	g.word('Z', n, 1)
	g.end()
	if n == 2 {
		g.text("M106 S128\nM104 S205\n")
	}
	for range 40 {
		g.text("; outer wall\nM204 P800\n")
		g.travel()
		for range 200 { // short moves, 0.2 to 1 mm
			g.move("G1", 200+g.r.Int64N(500), g.r.Int64N(600)-300, true, nil)
		}
		g.text("; rounding\n")
		for range 10 { // quarter turns about a centre on the left
			r := 500 + g.r.Int64N(4000)
			if g.x+r > 60_000 || g.y+r > 100_000 {
				g.travel()
				continue
			}
			g.move("G3", r, r, true, func() { g.word('J', r, 3) })
		}
		g.text("; inner wall\nM204 P1200\n")
		g.travel()
		for range 200 { // 1 to 6 mm
			g.move("G1", 500+g.r.Int64N(5000), g.r.Int64N(5000)-2500, true, nil)
		}
		g.text("; filling\n")
		g.travel()
		for k := range int64(80) { // to and fro, 20 mm and a step
			g.move("G1", (1-k%2*2)*20_000, 400*(k%2), true, nil)
		}
	}
}

// travel draws the filament back, goes elsewhere and brings it forward again.
func (g *generator) travel() {
	retract := func(v int64) {
		g.line = append(g.line, "G1"...)
		g.extrude(v)
		g.word('F', 2400, 0)
		g.end()
	}
	retract(-80_000)
	g.move("G0", g.r.Int64N(80_000)-60_000-g.x+g.x/2, g.r.Int64N(60_000)-g.y/2, false, func() { g.word('F', 9000, 0) })
	retract(80_000)
	g.text("G1 F1800\n")
}
