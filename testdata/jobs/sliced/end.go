package sliced

// end is end code.
type end struct {
	name  string
	write func(p *pen)
}

const off = "M107\nM104 S0\nM140 S0\nM84"

// rise draws back and rises, both relatively; said says that E words are relative too.
func (p *pen) rise(mm, withZ float64, said bool) {
	p.put("G91")
	if said {
		p.put("M83")
	}
	p.put("G1 E-%s F2700", num(mm, 1))
	p.e = round(p.e-mm, 5)
	p.drawn = true
	p.ends()
	if withZ > 0 {
		p.put("G1 E-%s Z%s F2400", num(mm, 1), num(withZ, 1))
		p.z = round(p.z+withZ, 3)
		p.ends()
	}
}

var ends = []end{
	{"none", func(p *pen) {}},
	{"off first", func(p *pen) {
		p.shutdown("M104 S0")
		p.text("M140 S0\nG91\nG1 E-1 F300\nG1 Z0.5 E-5 X-20 Y-20 F9000\nG28 X0\nM84\nG90")
	}},
	{"presented", func(p *pen) {
		p.rise(2, 0.2, false)
		p.text("G1 X5 Y5 F3000\nG1 Z10\nG90\nG1 X0 Y220\nM106 S0")
		p.shutdown("M104 S0")
		p.text("M140 S0\nM84 X Y E")
	}},
	{"to the side", func(p *pen) {
		p.put("G92 E0")
		p.e = 0
		p.back()
		p.height(p.z+2, 600, "")
		p.to(0, 200, 6000)
		p.shutdown("M107")
		p.text(off)
	}},
	{"parked, waits", func(p *pen) {
		p.back()
		p.text("G27 P2\nM400\nM0 done\nM300 S440 P200")
		p.shutdown("M104 S0")
		p.text(off)
	}},
	{"named word", func(p *pen) {
		p.text("M107\nCOOL_DOWN PARK=1")
	}},
	{"wiped on a brush", func(p *pen) {
		p.back()
		p.height(p.z+5, 600, "")
		p.to(2, 2, 9000)
		p.to(20, 2, 9000)
		p.text("G12 P0 S3\nM600")
		p.shutdown("M104 S0")
		p.text(off)
	}},
	{"filament out", func(p *pen) {
		p.back()
		p.height(p.z+1, 600, "")
		p.to(0, 150, 6000)
		p.text("M83\nG1 E3 F200\nG1 E-40 F2000")
		p.shutdown("M104 S0")
		p.text("M140 S0\nM107\nM2")
	}},
	{"home and bed out", func(p *pen) {
		p.rise(1, 0, true)
		p.text("G1 Z5 F600")
		p.ends()
		p.text("G90\nG1 Y200 F6000")
		p.shutdown("G28 X0 Y0")
		p.text(off)
	}},
	{"risen relatively, then parked", func(p *pen) {
		p.text("M107\nG91\nG1 Z10 F600")
		p.ends()
		p.text("G90\nG1 X0 Y180 F6000")
		p.shutdown("M104 S0")
		p.text("M140 S0\nM84")
	}},
	{"drawn back on the way", func(p *pen) {
		p.text("; end code\nG92 E0\nG1 X0 Y200 E-5 F9000")
		p.shutdown("M104 T0 S0")
		p.text("M140 S0\nM106 S0\nM18\nM300 S440 P10")
	}},
}
