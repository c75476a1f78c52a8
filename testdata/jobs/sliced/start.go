package sliced

// start is start code; it leaves the extruder at its zero, given back or not, and the nozzle
// away from the part.
type start struct {
	name  string
	purge bool
	write func(p *pen)
}

const homes = `
M140 S60
M104 S210
G28 ; all axes
M190 S60
M109 S210
`

// strokes draws a purge from where the nozzle stands.
func (p *pen) strokes(mmPerMM float64, at ...[2]float64) {
	p.doing = "purge line"
	for _, to := range at {
		p.draw(to[0], to[1], mmPerMM)
	}
}

var starts = []start{
	{"no purge", false, func(p *pen) { p.text(homes) }},
	{"two strokes along the belt", true, func(p *pen) {
		p.text("M115 U1.2.3+456\n" + homes + "M201 X500 Y500 Z100 E5000\nM204 P1000 R1000 T1000")
		p.zero()
		p.height(2, 3000, "")
		p.put("G1 X4 Y20 Z0.28 F5000")
		p.x, p.y, p.z = 4, 20, 0.28
		p.strokes(thickMM, [2]float64{4, 200})
		p.to(4.4, 200, 5000)
		p.strokes(thickMM, [2]float64{4.4, 20})
		p.zero()
		p.height(2, 3000, "")
		p.put("G1 X5 Y20 Z0.3 F5000")
		p.x, p.y, p.z = 5, 20, 0.3
	}},
	{"a stroke along the front, wiped", true, func(p *pen) {
		p.text(homes + "G29 P1 ; levels\nM420 S1")
		p.height(0.3, 600, "")
		p.to(10, 3, 6000)
		p.strokes(thickMM, [2]float64{60, 3})
		p.strokes(thickMM/3, [2]float64{100, 3})
		p.to(110, 3, 9000)
		p.zero()
	}},
	{"a line in four pieces", true, func(p *pen) {
		p.text(homes)
		p.to(0.5, 10, 6000)
		p.height(0.2, 600, "")
		for k := range 4 {
			p.draw(0.5, 35+25*float64(k), 0.02+0.04*float64(k))
		}
		p.back()
		p.height(1, 600, "")
	}},
	{"primes in the air", true, func(p *pen) {
		p.text(homes)
		p.to(20, 0, 6000)
		p.height(15, 600, "")
		p.zero()
		p.put("G1 F200%s", p.eWord(9))
		p.put("G1 Z12%s F200", p.eWord(6))
		p.z = 12
		p.zero()
		p.put("M117 clips to print")
	}},
	{"named words", true, func(p *pen) {
		p.text("WARM_UP BED=60 NOZZLE=210\nM140 S60\nM104 S210\nM109 S210\nLEVEL_IT MODE=quick\nG28\nDRAW_LINE LENGTH=60")
	}},
	{"to and fro", true, func(p *pen) {
		p.text(homes)
		p.height(0.25, 600, "")
		p.to(10, 2, 6000)
		for k := range 4 {
			y := 2 + 0.8*float64(k)
			if k%2 == 0 {
				p.strokes(thickMM, [2]float64{60, y}, [2]float64{60, y + 0.8})
			} else {
				p.strokes(thickMM, [2]float64{10, y}, [2]float64{10, y + 0.8})
			}
		}
		p.back()
		p.height(2, 600, "")
	}},
	{"along two edges", true, func(p *pen) {
		p.text(homes)
		p.to(150, 4, 6000)
		p.height(0.3, 600, "")
		p.strokes(thickMM, [2]float64{4, 4}, [2]float64{4, 90})
		p.to(4, 70, 9000)
		p.zero()
		p.height(2, 600, "")
	}},
	{"a blob and a brush", true, func(p *pen) {
		p.text(homes)
		p.to(2, 2, 6000)
		p.height(0.4, 600, "")
		p.put("G1%s F120", p.eWord(12))
		p.height(5, 600, "")
		for range 3 {
			p.to(20, 2, 9000)
			p.to(2, 2, 9000)
		}
		p.zero()
	}},
	{"a stroke no thicker than the part", true, func(p *pen) {
		p.text(homes)
		p.to(3, 10, 6000)
		p.height(0.2, 600, "")
		p.strokes(beadMM, [2]float64{3, 130})
		p.back()
		p.to(3, 120, 6000)
	}},
	{"at the right, risen relatively", true, func(p *pen) {
		p.text("G28 X Z ; home\nG91\nG1 Z5 F600 ; rise\nG90\nM190 S60 ; bed\nM109 S210 ; first layer temperature")
		p.to(190, 10, 6000)
		p.height(0.3, 600, " ; first layer height")
		p.strokes(thickMM, [2]float64{190, 110}, [2]float64{189, 110}, [2]float64{189, 10})
		p.zero()
		p.put("G1 Z2 F600 ; rise")
		p.z = 2
	}},
	{"pushed out in place", true, func(p *pen) {
		p.text(homes)
		p.height(10, 600, "")
		p.zero()
		p.put("G1%s F100", p.eWord(25))
		p.zero()
		p.put("G1%s F2400", p.eWord(-1))
		p.zero()
		p.put("G1%s F2400", p.eWord(1))
		p.zero()
		p.to(5, 5, 6000)
	}},
	{"the layer's sign before it", true, func(p *pen) {
		if p.marks.layer != nil {
			p.text(p.marks.layer(0, p.layers, 0.2))
		}
		p.text(homes)
		p.to(4, 10, 6000)
		p.height(0.3, 600, "")
		p.strokes(thickMM, [2]float64{4, 110})
		p.to(4, 118, 6000)
		p.zero()
	}},
}
