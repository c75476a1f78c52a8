package sliced

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Shape is a small file of one shape met in practice. Its first line says what is expected of it.
type Shape struct {
	Name string
	Text []byte
}

// pieces are what a shape is made of; the zero value is a clip with nothing peculiar.
type pieces struct {
	marks, start, end string
	relative, silent  bool // silent: neither M82 nor M83
	arcs, reset       bool
	retract           float64
	labels            bool
	volumes           bool   // E words are volumes of filament 1.75 mm thick
	before            string // lines at the top
	lead              string // lines behind the start code
	inside            string // lines at the second layer
	behind            string // lines at the file's end
	skirt             string
	change            func(text string) string // of the whole but for the first line
	refuse            string                   // code for which no lot may begin
	ask               string                   // code of the question asked
}

func find[T any](list []T, name string, of func(T) string) T {
	k := slices.IndexFunc(list, func(v T) bool { return of(v) == name })
	if k < 0 {
		panic("there is no " + name)
	}
	return list[k]
}

// write makes the file.
func (s *pieces) write() []byte {
	p := &pen{layers: 3, relative: s.relative, arcs: s.arcs, reset: s.reset, retractMM: 1}
	if s.retract > 0 {
		p.retractMM = s.retract
	}
	p.marks = find(allMarks, or(s.marks, "number of many"), func(m marks) string { return m.name })
	p.put("")
	p.block(s.before)
	p.put("; plant stake clip")
	if p.marks.header != "" {
		p.put("%s", p.marks.header)
	}
	p.text("G21\nG90")
	switch {
	case s.silent:
	case s.relative:
		p.put("M83")
	default:
		p.put("M82")
	}
	find(starts, or(s.start, "no purge"), func(v start) string { return v.name }).write(p)
	p.block(s.lead)
	b := block{x: 40, y: 30, w: 14, d: 12, layers: 3, round: true}
	if s.labels {
		p.layers = 1
	}
	if s.volumes {
		p.put("M200 D1.75")
		p.perMM = math.Pi / 4 * 1.75 * 1.75
	}
	p.inPart = true
	p.layer(0, 0.2)
	p.object(0)
	switch s.skirt {
	case "":
		p.kind("SKIRT")
		p.loop(b, 4)
	case "brim":
		p.kind("BRIM")
		p.loop(b, 0.8)
		p.loop(b, 0.4)
	}
	for k := range p.layers {
		if k > 0 {
			p.layer(k, 0.2*float64(k+1))
			p.on()
		}
		if k == 1 {
			p.block(s.inside)
		}
		p.slice(b, 0)
		if s.labels {
			p.fill(b, 1, beadMM)
		}
	}
	find(ends, or(s.end, "to the side"), func(v end) string { return v.name }).write(p)
	p.block(s.behind)
	t := &p.truth
	switch {
	case s.refuse != "":
		p.out[0] = "; expected: refuse " + s.refuse
	default:
		p.out[0] = fmt.Sprintf("; expected: accept first=%d last=%d belt=%.3f filament=%.5f", t.First, t.Last, t.BeltMM, t.FilamentMM)
		if s.ask != "" {
			p.out[0] += " ask=" + s.ask
		}
	}
	text := strings.Join(p.out, "\n") + "\n"
	if s.change != nil {
		first, rest, _ := strings.Cut(text, "\n")
		rest = s.change(rest)
		end := "\n"
		for _, e := range []string{"\r\r\n", "\r\n", "\r"} {
			if strings.Contains(rest, e) {
				end = e
				break
			}
		}
		if mark := "\xef\xbb\xbf"; strings.HasPrefix(rest, mark) {
			first, rest = mark+first, rest[len(mark):]
		}
		text = first + end + rest
	}
	return []byte(text)
}

// block writes lines, or none.
func (p *pen) block(text string) {
	if text != "" {
		p.text(text)
	}
}

func or(name, other string) string {
	if name == "" {
		return other
	}
	return name
}

// Shapes returns all of them.
func Shapes() []Shape {
	var list []Shape
	add := func(name string, s pieces) {
		list = append(list, Shape{strings.NewReplacer(" ", "-", ",", "", "'", "").Replace(strings.ToLower(name)), s.write()})
	}
	for _, m := range allMarks {
		add("comments "+m.name, pieces{marks: m.name, start: "two strokes along the belt"})
		if m.name != "none" {
			add("no purge comments "+m.name, pieces{marks: m.name, relative: true})
		}
	}
	for _, v := range starts {
		add("start "+v.name, pieces{start: v.name, marks: "none", relative: true})
		add("start "+v.name+" absolute", pieces{start: v.name})
	}
	for _, v := range ends {
		add("end "+v.name, pieces{end: v.name, start: "a line in four pieces"})
	}
	for name, s := range map[string]pieces{
		"brim":                        {skirt: "brim", start: "two strokes along the belt", marks: "none"},
		"no skirt":                    {skirt: "none", start: "two strokes along the belt", marks: "none"},
		"label of one layer":          {labels: true, start: "two strokes along the belt", marks: "none", skirt: "none"},
		"arcs":                        {arcs: true, relative: true},
		"extruder zeroed each layer":  {reset: true},
		"relative and not said":       {relative: true, silent: true},
		"absolute and not said":       {silent: true},
		"relative, then G90":          {relative: true, before: "", lead: "G90"},
		"long retraction":             {retract: 6, relative: true},
		"volumes":                     {volumes: true},
		"volumes, relative":           {volumes: true, relative: true, start: "to and fro"},
		"presented, extruder counted": {end: "presented", reset: true},
	} {
		add("part "+name, s)
	}
	for name, text := range headers {
		add("header "+name, pieces{before: text})
	}
	for name, text := range leadWords {
		add("word "+name, pieces{lead: text, start: "a stroke along the front, wiped"})
	}
	for name, text := range insideWords {
		add("inside "+name, pieces{inside: text})
	}
	for name, s := range refused {
		add("refuse "+name, s)
	}
	for name, change := range forms {
		add("form "+name, pieces{change: change})
	}
	return list
}

// headers stand before the start code, settings behind all.
var headers = map[string]string{
	"picture":             "; picture begin 32x32 96\n; iVBORw0KGgoAAAANSUhEUgAAACAAAAAgCAYAAABzenr0\n; G1 X5 Y5 E5 M104 S999 T0\n; picture end",
	"settings":            "; layer_height = 0.2\n; first_layer_height = 0.3\n; layer 1 fan = 0\n; total layers = 3\n; filament_diameter = 1.75",
	"settings with colon": ";FLAVOUR:common\n;TIME:421\n;Filament used: 0.13m\n;Layer height: 0.2\n;MINX:40\n;MAXZ:0.6",
	"table":               "; | setting | value |\n; | layers  | 3     |\n; | layer   | 0.2   |",
	"braces":              "; {\"part\": \"clip\", \"layers\": 3, \"layer\": [1, 2, 3]}",
	"tags":                "; <job><layer>0.2</layer></job>",
	"start code in it":    "; start_code = G28\\nG1 Z5\\nG1 X10 E9 F900\\nG92 E0\n; end_code = M104 S0\\nG28 X0\\nM84",
	"accents":             "; Stäbchenhalter für Tomaten – 3 Stück",
	"empty lines":         "\n\n   \n\t\n;\n; \n;;;;",
	"parentheses":         "(plant stake clip (three of them) for the greenhouse)\n(by the bench (left))",
	"long comment":        "; " + strings.Repeat("clips and pegs ", 400),
	"percent":             "; 100 % fill\n;50%",
	"words for a sender":  ";@info clips\n@clips begin\n@pause no",
	"checks of a board":   "M115 U1.2.3+456\nM862.3 P \"CLIPS\"\nM862.1 P0.4",
	"layers counted":      "; LAYER_COUNT: 3\n;LAYER COUNT = 3\n; layers: 3\n; total layer number: 3",
	"figures":             "; estimated time = 12m 3s\n; filament used [g] = 0.4\n; max z = 0.60",
}

// leadWords stand in start code.
var leadWords = map[string]string{
	"text for a board":      "M330 GREENHOUSE\nM331 some_name",
	"levelling asked for":   "G29 G",
	"levelling of a part":   "G29 P9 X120 Y96 W32 H4",
	"argument alone":        "P0 S1 L1 D0",
	"tool without number":   "T-1\nTx\nTc\nT?",
	"sender":                "@clip_begin 3\n@park",
	"gates":                 "M1002 gate_of_something 1\nM1002 judge_flag level_flag",
	"feeder":                "M620 M\nM620 S0A\nT0\nM621 S0A",
	"encoded":               "M624 AQ==\nM625",
	"notes played":          "M1006 S1\nM1006 A0 B10 L100 C37 D10 M100\nM1006 W",
	"no volumes":            "M200 D0",
	"named words":           "SET_VELOCITY_LIMIT ACCEL=1000 ACCEL_TO_DECEL=500\nSET_PRESSURE_ADVANCE ADVANCE=0.03\nSTATUS_LIGHT COLOUR=green",
	"named start":           "BEGIN_JOB BED=60 EXTRUDER=200 CHAMBER=0",
	"tool by number":        "T0\nM104 T0 S210\nM109 T0 S210",
	"heat by tool word":     "G10 P0 S205 R180",
	"heat by M568":          "M568 P0 S205 R180 A2",
	"second fan":            "M106 P2 S128\nM106 P1 S0",
	"chamber off":           "M141 S0",
	"shaping":               "M572 D0 S0.03\nM593 F40\nM566 X300 Y300 Z20",
	"offsets":               "M206 X0 Y0 Z0",
	"stored lines":          "M98 P\"clip.g\"",
	"mesh":                  "M420 S1 Z10\nM421 I1",
	"lights":                "M150 R255 U128 B0\nM355 S1",
	"progress":              "M73 P0 R12\nM73 Q0 S12\nM117 clips: 0 % (of 3)\nM118 E1 go",
	"tones":                 "M300 S440 P100\nM300",
	"linear advance":        "M900 K0.03\nM900 K0.02 T0",
	"jerk and acceleration": "M205 X8 Y8 Z0.4 E5\nM204 S1000\nM201 X1000 Y1000\nM203 X200 Y200",
	"flow and feed":         "M220 S100\nM221 S95\nM221 S100",
	"camera":                "M240\nM42 P4 S255",
	"waits for a time":      "G4 P500\nG4 S1\nM0 S2",
	"waits for moves":       "M400\nM400 U1",
	"stored settings":       "M501\nM500\nM503",
	"objects counted":       "M486 T3\nM486 S-1",
	"cold allowed":          "M302 S0\nM302 P1",
	"release of motors":     "M18 E\nM84 S120",
	"planes":                "G17\nG18\nG17\nG54",
	"touch":                 "M280 P0 S10\nM401\nM402",
	"versions":              "M115\nM105\nM114\nM155 S2",
	"climb on the spot":     "G1 Z2 F600\nG17\nG2 Z3 I0.9 J0.9 P1 F9000\nG1 Z0.3",
	"nozzle wipe":           "G12 P1 S1 T3",
	"nested parentheses":    "M400 (wait (here) for all)\nM117 ready (or (nearly))",
	"tool cleaned":          "G1 X10 Y3 F9000\nG1 X40 Y3 F9000\nG1 X10 Y3 F9000",
	"quotes":                "M117 \"clips\" 'pegs'",
}

// insideWords stand in the part.
var insideWords = map[string]string{
	"progress":        "M73 P50 R6\nM117 layer 2",
	"fan":             "M106 S128\nM106 P2 S64",
	"acceleration":    "M204 P800 T1500\nM205 X6 Y6",
	"named words":     "SET_PRESSURE_ADVANCE ADVANCE=0.02\nTIMELAPSE_TAKE_FRAME_NOW",
	"cooler":          "M104 S205\nM140 S55",
	"camera":          "M240",
	"sender":          "@layer 2",
	"encoded":         "M624 AQ==\nM625",
	"text for people": "M117 50 % (nearly)",
	"object switched": "M486 S-1\nM486 S0",
	"dwell":           "G4 P100",
	"notes":           "M1002 flag 2\nM622 J1\nM623",
	"advance":         "M900 K0.04",
	"comment":         "; heater off M104 S0\n(G28 Y)",
}

// refused are files with which no lot may begin.
var refused = map[string]pieces{
	"belt homed in the part":      {inside: "G28 Y", refuse: "belt-homed"},
	"all homed in the part":       {inside: "G28", refuse: "belt-homed"},
	"waits in the part":           {inside: "M0 put the magnet in", refuse: "waits-for-operator"},
	"filament changed":            {inside: "M600", refuse: "waits-for-operator"},
	"pause":                       {inside: "M601", refuse: "waits-for-operator"},
	"too hot":                     {lead: "M104 S320", refuse: "nozzle-ceiling"},
	"too hot by a named word":     {lead: "BEGIN_JOB BED=60 EXTRUDER=400", refuse: "nozzle-ceiling"},
	"bed too hot":                 {lead: "M140 S150", refuse: "bed-ceiling"},
	"volumes by a sub-code":       {lead: "M200.1 D1.75", refuse: "volumetric"},
	"second command":              {lead: "M1006 S1 G28 Y", refuse: "second-command"},
	"heater off and on":           {inside: "M104 S0\nM104 S210", refuse: "heater-cycled"},
	"two commands in a line":      {inside: "G1 X40 G1 Y30", refuse: "unreadable"},
	"a comma in a number":         {inside: "G1 X40,5 Y30", refuse: "unreadable"},
	"a word twice":                {inside: "G1 X40 X41", refuse: "unreadable"},
	"below the belt":              {inside: "G1 Z-0.3", refuse: "below-belt"},
	"cold":                        {lead: "M104 S0", refuse: "cold-extrusion"},
	"place unknown in the part":   {inside: "G54\nG10 L2 P1 X5\nG53", refuse: "motion-unknown"},
	"levelled in the part":        {inside: "G29", refuse: "motion-unknown"},
	"impossible arc":              {inside: "G2 X80 Y80 I1 J0", refuse: "impossible"},
	"damaged":                     {inside: "G1 X4\x000 Y30", refuse: "unreadable"},
	"belt up to a switch":         {lead: "G1 H1 Y-500 F600", refuse: "belt-homed"},
	"comment not closed":          {inside: "G1 X40 (left", refuse: "unreadable"},
	"only travel":                 {change: func(string) string { return "G28\nG1 X5 Y5\nM104 S0\n" }, refuse: "no-part"},
	"nothing but comments":        {change: func(string) string { return "; clips\n; pegs\n" }, refuse: "no-part"},
	"relative, too little to see": {change: func(string) string { return "G28 X Z\nM104 S210\nG91\nG1 X1 E5\nG1 X1 E5\n" }, refuse: "extruder-mode"},
}

// forms are ways to write the same.
var forms = map[string]func(string) string{
	"byte order mark": func(s string) string { return "\xef\xbb\xbf" + s },
	"cr lf":           func(s string) string { return strings.ReplaceAll(s, "\n", "\r\n") },
	"cr":              func(s string) string { return strings.ReplaceAll(s, "\n", "\r") },
	"cr cr lf":        func(s string) string { return strings.ReplaceAll(s, "\n", "\r\r\n") },
	"lower case":      strings.ToLower,
	"no blanks": func(s string) string {
		return strings.NewReplacer(" X", "X", " Y", "Y", " E", "E", " F", "F", " Z", "Z", " S", "S").Replace(s)
	},
	"blanks":           func(s string) string { return strings.NewReplacer("\n", "  \t\n  ", " X", "\t X").Replace(s) },
	"leading zeros":    func(s string) string { return strings.NewReplacer("G1 ", "G01 ", "G0 ", "G00 ").Replace(s) },
	"plus signs":       func(s string) string { return strings.ReplaceAll(s, " Y3", " Y+3") },
	"numbers and sums": numbered,
	"comments behind":  func(s string) string { return strings.ReplaceAll(s, "F9000", "F9000 ; go (there)") },
	"no last line end": func(s string) string { return strings.TrimRight(s, "\n") },
}

// numbered gives each line its number and checksum.
func numbered(s string) string {
	var out strings.Builder
	for n, line := range strings.Split(strings.TrimRight(s, "\n"), "\n") {
		if line == "" || line[0] == ';' {
			out.WriteString(line + "\n")
			continue
		}
		line, _, _ = strings.Cut(line, ";")
		line = fmt.Sprintf("N%d %s", n+1, strings.TrimSpace(line))
		sum := byte(0)
		for _, c := range []byte(line) {
			sum ^= c
		}
		fmt.Fprintf(&out, "%s*%d\n", line, sum)
	}
	return out.String()
}
