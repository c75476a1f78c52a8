package job

import (
	"strings"
	"testing"
)

func TestMoveFindings(t *testing.T) {
	const clip = "G1 X10 Y10 E6\nG1 X30 E7\n"
	marked := func(body string) string {
		return start + ";beltwarden body begin\n" + body + ";beltwarden body end\nM104 S0\nM140 S0\n"
	}
	ranged := upright
	ranged.RangeMM = [3][2]float64{{0, 25}, {}, {-1, 200}}
	for name, r := range map[string]struct {
		code     string
		text     string
		o        Options
		severity Severity
		line     int64
		says     string
	}{
		"belt homed before":     {"belt-homing", strings.Replace(marked(clip), "G28 X Z", "G28", 1), upright, Info, 4, "no end stop"},
		"heater off inside":     {"heater-off-in-part", marked(clip + "M104 S0\n"), upright, Warning, 11, "nozzle"},
		"bed off inside":        {"heater-off-in-part", marked(clip + "M140 S0\n"), upright, Warning, 11, "bed"},
		"below in the part":     {"below-belt", marked("G1 Z-0.06\n" + clip), upright, Error, 9, "-0.06"},
		"below before the part": {"below-belt", start + "G1 Z-1\nG1 Z0.2\n" + marked(clip)[len(start):], upright, Info, 8, "-1.00"},
		"outside":               {"outside-machine", marked(clip), ranged, Error, 10, "axis X goes to 30.00 mm, outside 0 to 25 mm"},
		"arc bulges outside":    {"outside-machine", marked("G1 X20 Y10 E6\nG3 X20 Y30 I0 J10 E7\n"), ranged, Error, 10, "axis X goes to 30.00 mm, outside 0 to 25 mm"},
	} {
		p, err := inspectText(t, r.text, r.o)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		f := byCode(p.Findings, r.code)
		if f == nil || f.Severity != r.severity || f.Line != r.line || !strings.Contains(f.Text, r.says) {
			t.Errorf("%s: %+v in %+v", name, f, p.Findings)
		}
	}
	within := ranged
	within.RangeMM[0] = [2]float64{0, 30}
	p, err := inspectText(t, marked("G1 Z-0.05\nG92 E0\n"+clip+"G92 E0\n"), within)
	if err != nil {
		t.Fatal(err)
	}
	for _, code := range []string{"belt-homing", "heater-off-in-part", "below-belt", "outside-machine"} {
		if f := byCode(p.Findings, code); f != nil {
			t.Errorf("said without cause: %+v", f)
		}
	}
}
