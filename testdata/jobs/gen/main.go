// Gen writes the example jobs of a small greenhouse-supplies workshop: a plant
// stake clip for an upright and for a tilted gantry, and a drip-line peg.
package main

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"

	"beltwarden/testdata/jobs/sliced"
)

func main() {
	dir := flag.String("dir", ".", "folder to write to")
	flag.Parse()
	for name, job := range map[string]func(*pen){
		"stake-clip.gcode":        stakeClip,
		"stake-clip-tilted.gcode": stakeClipTilted,
		"drip-peg.gcode":          dripPeg,
	} {
		var p pen
		job(&p)
		if err := os.WriteFile(filepath.Join(*dir, name), p.out.Bytes(), 0o644); err != nil {
			fmt.Fprintf(os.Stderr, "cannot write job: %v\n", err)
			os.Exit(1)
		}
	}
	if err := shapes(filepath.Join(*dir, "shapes")); err != nil {
		fmt.Fprintf(os.Stderr, "cannot write shapes: %v\n", err)
		os.Exit(1)
	}
}

// shapes writes the small files of package sliced, in place of those that are there.
func shapes(dir string) error {
	if err := os.RemoveAll(dir); err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	for _, s := range sliced.Shapes() {
		if err := os.WriteFile(filepath.Join(dir, s.Name+".gcode"), s.Text, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// stakeClip is a plate of 30 x 20 x 4 mm with a hole for the stake, on a belt
// that runs along Y.
func stakeClip(p *pen) {
	p.put("; plant stake clip, 30 x 20 x 4 mm, upright gantry, belt along Y")
	p.put("; filament 1.75 mm, line %s mm, layer %s mm", num(lineMM), num(layerMM))
	p.put("M140 S60")
	p.put("M104 S205")
	p.put("G21")
	p.put("G90")
	p.put("M82")
	p.put("G28 ; all axes")
	p.put("M190 S60")
	p.put("M109 S205")
	p.put("M204 P1200 T2000")
	p.put("M107")
	p.put("G0 X40 Y0 Z5 F6000")
	p.zero()
	p.filament(6, 300)
	p.zero()
	for layer := range 10 {
		p.z = round(layerMM*float64(layer+1), 2)
		p.put("; layer %d", layer+1)
		p.put("G0 Z%s F1200", num(p.z))
		if layer == 1 {
			p.put("M106 S180")
			p.put("M204 P1500")
		}
		const x0, y0, x1, y1 = 45, 2, 75, 22
		for wall := range 2 {
			d := lineMM * (0.5 + float64(wall))
			p.outline(x0+d, y0+d, x1-d, y1-d, 4-d)
		}
		for wall := range 2 {
			r := 4.5 + lineMM*(0.5+float64(wall))
			p.retract()
			p.travel(60+r, 12)
			p.prime()
			p.feed(1200)
			p.arc(60+r, 12, -r, 0)
		}
		apart := 1.6
		if layer == 0 || layer == 9 {
			apart = lineMM
		}
		p.zigzag(x0+2, y0+4, x0+8, y1-4, apart)
		p.zigzag(x1-8, y0+4, x1-2, y1-4, apart)
	}
	p.retract()
	p.put("G0 Z14 F1200")
	p.put("; end")
	p.put("M104 S0")
	p.put("M140 S0")
	p.put("M107")
	p.put("G0 X0 F6000")
	p.put("M84")
}

// stakeClipTilted is the same plate, without the hole, for a gantry tilted by 45
// degrees over a belt along Z: layers are planes tilted with the gantry, one
// layer's thickness times the square root of two apart on the belt.
func stakeClipTilted(p *pen) {
	const lengthMM, heightMM = 20.0, 4.0
	p.put("; plant stake clip, 30 x 20 x 4 mm, gantry tilted by 45 degrees, belt along Z")
	p.put("M140 S60")
	p.put("M104 S205")
	p.put("G21")
	p.put("G90")
	p.put("M83")
	p.relativeE = true
	p.put("G28 X Y")
	p.put("G92 Z0")
	p.put("M190 S60")
	p.put("M109 S205")
	p.put("M107")
	p.put("G0 X40 Y3 F6000")
	p.filament(6, 300)
	step := layerMM * math.Sqrt2
	for layer := 1; ; layer++ {
		z := round(step*float64(layer), 3)
		// The plane meets the plate between these heights above the belt.
		low, high := math.Max(0, z-lengthMM), math.Min(heightMM, z)
		if high-low < lineMM {
			if z > lengthMM {
				break
			}
			continue
		}
		p.put("; layer %d", layer)
		p.put("G0 Z%s F1200", num(z))
		if layer == 4 {
			p.put("M106 S200")
		}
		const x0, x1, d = 45, 75, lineMM / 2
		y0, y1 := low*math.Sqrt2+d, high*math.Sqrt2-d
		if y1-y0 > 2*lineMM {
			p.outline(x0+d, y0, x1-d, y1, lineMM)
			p.zigzag(x0+1.5*lineMM, y0+lineMM, x1-1.5*lineMM, y1-lineMM, 1.6)
			continue
		}
		p.zigzag(x0+d, y0, x1-d, y1, lineMM)
	}
	p.retract()
	p.put("G0 Y25 F6000")
	p.put("M104 S0")
	p.put("M140 S0")
	p.put("M107")
	p.put("M84")
}

// dripPeg is a peg of 8 x 36 x 3.2 mm with a barbed head. The file marks its
// part with repeat words, and the layers of the shaft inside it too.
func dripPeg(p *pen) {
	const x0, x1, y0, y1 = 56, 64, 2, 38
	p.put("; drip-line peg, 8 x 36 x 3.2 mm, belt along Y, twenty in a row")
	p.put("G21")
	p.put("G90")
	p.put("M83")
	p.relativeE = true
	p.put("M140 S55")
	p.put("M104 S200")
	p.put("G28 X Z")
	p.put("G92 Y0")
	p.put("M190 S55")
	p.put("M109 S200")
	p.put("M107")
	p.put("G0 X40 Y0 Z5 F6000")
	p.filament(4, 300)
	p.put("M808 L20")
	p.put("G0 Z%s F1200", num(layerMM))
	section := func() {
		p.outline(x0+lineMM/2, y0+lineMM/2, x1-lineMM/2, y1-lineMM/2, 2)
		p.zigzag(x0+1.5*lineMM, y0+2, x1-1.5*lineMM, y1-2, 2.4)
	}
	section()
	p.put("M106 S255")
	p.put("M808 L5")
	rise(p)
	section()
	p.put("M808")
	p.put("M808 L2")
	rise(p)
	p.outline(x0+lineMM/2, y1-8, x1-lineMM/2, y1-lineMM/2, 2)
	p.put("M808")
	p.retract()
	p.put("G0 Z12 F1200")
	p.put("M107")
	p.put("M808")
	p.put("M104 S0")
	p.put("M140 S0")
	p.put("M84")
}

// rise goes up by one layer, as a repeated layer must.
func rise(p *pen) {
	p.put("G91")
	p.put("G0 Z%s F1200", num(layerMM))
	p.put("G90")
	p.put("M83")
}
