package sliced

import (
	"fmt"
	"math/rand/v2"
	"strings"
)

// File is a file with what is known of it.
type File struct {
	Text  []byte
	Truth Truth
	// Start, Marks, End, Part and Around name its pieces.
	Start, Marks, End, Part, Around string
}

func (f *File) String() string {
	return fmt.Sprintf("%s; comments: %s; %s, %s; end: %s", f.Start, f.Marks, f.Around, f.Part, f.End)
}

// Draw writes the file of a seed.
func Draw(seed uint64) File {
	r := rand.New(rand.NewPCG(seed, 1))
	p := &pen{marks: allMarks[r.IntN(len(allMarks))]}
	s, e := starts[r.IntN(len(starts))], ends[r.IntN(len(ends))]
	f := File{Start: s.name, Marks: p.marks.name, End: e.name}
	p.relative, p.arcs, p.wipe, p.board = r.IntN(2) == 0, r.IntN(3) == 0, r.IntN(4) == 0, r.IntN(5) == 0
	p.retractMM = []float64{0, 0.8, 1, 5}[r.IntN(4)]
	p.hopMM = []float64{0, 0, 0.4}[r.IntN(3)]
	if p.board {
		p.wipe = false
	}
	p.layers, p.reset = 2+r.IntN(5), r.IntN(3) == 0
	p.head(r)
	said := r.IntN(5) > 0
	if said && p.relative {
		p.put("M83")
		if r.IntN(8) == 0 {
			p.put("G90")
		}
	} else if said {
		p.put("M82")
	}
	s.write(p)
	if r.IntN(2) == 0 {
		p.text("M106 S0\nM900 K0.03\nM486 T3")
	}
	f.Around, f.Part = p.part(r)
	e.write(p)
	p.tail(r)
	f.Truth = p.truth
	ending := []string{"\n", "\n", "\n", "\r\n", "\r"}[r.IntN(5)]
	text := strings.Join(p.out, ending) + ending
	switch r.IntN(12) {
	case 0:
		text = strings.ToLower(text)
	case 1:
		text = "\xef\xbb\xbf" + text
	case 2:
		text = strings.ReplaceAll(strings.ReplaceAll(text, " X", "X"), " Y", "Y")
	}
	f.Text = []byte(text)
	return f
}

// head is what stands before the start code: who wrote it, a picture, figures.
func (p *pen) head(r *rand.Rand) {
	if p.marks.name == "none" {
		p.text("G21\nG90")
		return
	}
	p.put("; plant stake clips")
	if r.IntN(2) == 0 {
		p.text("; picture begin 16x16 80\n; aGVsbG8gd29ybGQsIEcxIFgxIFkxIEUx\n; R0kgWDEwIFkyMA==\n; picture end")
	}
	if r.IntN(2) == 0 {
		p.text("; layer_height = 0.2\n; total layers: 12\n;Layer height: 0.2\n; first layer temperature = 210\n; filament used: 1.2 m")
	}
	if p.marks.header != "" {
		p.put("%s", p.marks.header)
	}
	p.text("G21\nG90 ; absolute")
}

// tail is the block of settings that some slicers write at the end.
func (p *pen) tail(r *rand.Rand) {
	if p.marks.name == "none" || r.IntN(2) == 0 {
		return
	}
	p.text("; filament used [mm] = 1234.5\n; layer_height = 0.2\n; start code = G28\\nG1 X5 Y20 E9\\nG92 E0\n; skirts = 1\n; layer 1 fan = 0")
}

func (p *pen) part(r *rand.Rand) (around, what string) {
	count, left := 1+r.IntN(3), []float64{40, 40, 40, 40, 12}[r.IntN(5)]
	var list []block
	wide := r.IntN(3)
	for k := range count {
		list = append(list, block{x: left + 50*float64(k%2), y: []float64{30, 30, 12}[wide] + 45*float64(k/2), w: round(12+20*r.Float64(), 2), d: round(12+20*r.Float64(), 2),
			layers: p.layers, round: r.IntN(2) == 0})
	}
	what = []string{"in one", "one after another", "labels", "vase"}[r.IntN(4)]
	if what == "labels" {
		for k := range list {
			if list[k].layers = 1; k == 0 && r.IntN(3) == 0 {
				list[k].layers = p.layers
				what = "labels beside a clip"
			}
		}
	}
	if what == "vase" {
		list = list[:1]
	}
	around = []string{"no skirt", "skirt", "brim", "raft"}[r.IntN(4)]
	p.inPart = true
	z := 0.2
	p.layer(0, z)
	all := enclosing(list)
	p.object(0)
	switch around {
	case "skirt":
		p.kind("SKIRT")
		for k := range 1 + r.IntN(2) {
			p.loop(all, 4+0.4*float64(k))
		}
	case "brim":
		p.kind("BRIM")
		for _, b := range list {
			for k := 4; k >= 1; k-- {
				p.loop(b, 0.4*float64(k))
			}
		}
	case "raft":
		p.kind("RAFT")
		for _, b := range list {
			p.fill(block{x: b.x - 2, y: b.y - 2, w: b.w + 4, d: b.d + 4}, 2, 2*beadMM)
		}
		z += 0.3
		p.height(z, 600, "")
	}
	fill := []float64{0, 2, 4}[r.IntN(3)]
	if strings.HasPrefix(what, "labels") {
		fill = 0.5
	}
	p.print(r, what, list, z, fill)
	return around, what
}

func (p *pen) print(r *rand.Rand, what string, list []block, z, fill float64) {
	switch what {
	case "vase":
		p.slice(list[0], 0.8)
		p.vase(list[0], z, 2+r.IntN(4))
	case "one after another":
		for n, b := range list {
			for k := range b.layers {
				if n > 0 && k == 0 {
					p.back()
					p.height(z+0.2*float64(b.layers)+2, 600, "")
					p.object(n)
					p.to(b.x, b.y, 9000)
				}
				if n > 0 || k > 0 {
					p.layer(k, z+0.2*float64(k))
				}
				p.on()
				p.slice(b, fill)
			}
		}
	default:
		for k := range p.layers {
			if any := false; k > 0 {
				for _, b := range list {
					any = any || k < b.layers
				}
				if !any {
					return
				}
				p.layer(k, z+0.2*float64(k))
				p.on()
			}
			for n, b := range list {
				if k < b.layers {
					p.object(n)
					p.slice(b, fill)
				}
			}
		}
	}
}
