package job

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"beltwarden/supervisor/gcode"

	"pgregory.net/rapid"
)

const jobs = "../../testdata/jobs/"

var upright = Options{BeltAxis: gcode.Y, Forward: 1, HomedAxes: []gcode.Axis{gcode.X, gcode.Z}, GapMM: 10,
	NozzleCeilingC: 260, BedCeilingC: 100}

var tilted = Options{BeltAxis: gcode.Z, Forward: 1, HomedAxes: []gcode.Axis{gcode.X, gcode.Y}, GapMM: 10,
	NozzleCeilingC: 260, BedCeilingC: 100}

// The figures of the real job: its maker declares 1.767 cm3; filament length,
// travel and extent were computed from the file by independent means.
func TestRealJob(t *testing.T) {
	p := mustInspect(t, jobs+"buttons.gcode", upright)
	near(t, "filament mm", p.FilamentMM, 734.637, 0.0006)
	near(t, "filament cm3", p.FilamentCM3, 1.767, 0.0005)
	if p.ExtentMM.Y != [2]float64{-35.82, 35.82} {
		t.Errorf("Y extent %v", p.ExtentMM.Y)
	}
	near(t, "pitch", p.PitchMM, 71.64+10, 1e-9)
	// By length and feed alone it is 13.06 min (recomputed by hand); corners and slopes
	// come on top.
	if m := p.Duration.Minutes(); m < 13.06 || m > 1.6*13.06 {
		t.Errorf("%.2f min in motion", m)
	}
	t.Logf("%.2f min in motion", p.Duration.Minutes())
	if p.Lines != 36658 || p.Body.FirstLine != 11 || p.Body.LastLine != 36653 || p.Body.SendLines != 36643 {
		t.Errorf("lines %d, body %+v", p.Lines, p.Body)
	}
	travel, filament := wholeFile(t, jobs+"buttons.gcode")
	near(t, "independent travel of the whole file", travel, 18630.74, 0.005)
	near(t, "independent filament", filament, 734.637, 0.0006)
	near(t, "travel of the body", p.BeltTravelMM, travel-33.94, 1e-6) // the lead-in goes from 0 to 33.94 once
	if got := texts(p.Withheld); got != "3:G28 36658:M84" {
		t.Errorf("withheld %s", got)
	}
	if got := texts(p.Added); got != "1:M82 1:M107 3:G28 X Z 3:G92 Y0" {
		t.Errorf("added %s", got)
	}
	if p.Layers != 32 { // 0.2 mm each, up to Z6.4
		t.Errorf("%d layers", p.Layers)
	}
	raw, err := os.ReadFile(jobs + "buttons.gcode")
	if err != nil {
		t.Fatal(err)
	}
	if p.SHA256 != fmt.Sprintf("%x", sha256.Sum256(raw)) || p.SourceBytes != int64(len(raw)) {
		t.Errorf("digest %s of %d bytes", p.SHA256, p.SourceBytes)
	}
	if p.Blocked() {
		t.Errorf("blocked: %+v", p.Findings)
	}
}

// wholeFile sums Y travel and net filament of a file of absolute straight moves
// by the plainest means there are.
func wholeFile(t *testing.T, path string) (travel, filament float64) {
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var y, e float64
	for s := bufio.NewScanner(f); s.Scan(); {
		words := strings.Fields(s.Text())
		for _, w := range words[1:] {
			v, err := strconv.ParseFloat(w[1:], 64)
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case words[0] == "G92" && w[0] == 'E':
				e = v
			case words[0] == "G1" && w[0] == 'E':
				filament += v - e
				e = v
			case words[0] == "G1" && w[0] == 'Y':
				travel += math.Abs(v - y)
				y = v
			}
		}
	}
	return travel, filament
}

// Going through lead-in, body and lead-out with the interpreter must end in the
// states of the plan, and every repeat in the same end state again.
func TestSectionsLeadToThePlannedStates(t *testing.T) {
	for name, o := range map[string]Options{"buttons.gcode": upright, "stake-clip.gcode": upright, "drip-peg.gcode": upright, "stake-clip-tilted.gcode": tilted} {
		t.Run(name, func(t *testing.T) {
			o.BedC = 60
			p := mustInspect(t, jobs+name, o)
			s := gcode.NewState()
			play(t, p, LeadIn, &s)
			if s != p.Begin {
				t.Fatalf("after the lead-in\n got %+v\nwant %+v", s, p.Begin)
			}
			lift := gcode.Z
			if o.BeltAxis == gcode.Z {
				lift = gcode.Y
			}
			ro := gcode.RestoreOptions{BeltAxis: o.BeltAxis, LiftAxis: lift, ClearMM: 5, TravelFeedMMPerMin: 6000, RetractFeedMMPerMin: 2400}
			for range 3 {
				begin, total := s, 0.0
				play(t, p, Body, &s)
				want := p.End
				want.OffsetMM[o.BeltAxis] = s.OffsetMM[o.BeltAxis]
				want.Known[gcode.E] = s.Known[gcode.E]
				if s != want {
					t.Fatalf("after the body\n got %+v\nwant %+v", s, want)
				}
				near(t, "advance", s.MachineMM(o.BeltAxis)-begin.MachineMM(o.BeltAxis), p.BeltAdvanceMM, 1e-6)
				// The lot advances the belt and calls the new place by the old coordinate.
				apply(t, &s, "G92 "+o.BeltAxis.String()+strconv.FormatFloat(p.Begin.PositionMM[o.BeltAxis], 'f', -1, 64))
				for _, line := range gcode.Restore(s, p.Begin, ro) {
					e := apply(t, &s, line)
					total += e.ExtrudedMM
				}
				near(t, "filament given back", total, p.End.DrawnBackMM-p.Begin.DrawnBackMM, 1e-9)
				want = p.Begin
				want.OffsetMM[o.BeltAxis] = s.OffsetMM[o.BeltAxis]
				want.Known[gcode.E] = s.Known[gcode.E] // set by G92, where the job is relative
				if s != want {
					t.Fatalf("restored\n got %+v\nwant %+v", s, want)
				}
			}
			play(t, p, Body, &s)
			play(t, p, LeadOut, &s)
			if s.NozzleTargetC != 0 || s.BedTargetC != 0 || s.FanS != 0 {
				t.Errorf("left on: %+v", s)
			}
		})
	}
}

func TestExampleJobs(t *testing.T) {
	p := mustInspect(t, jobs+"stake-clip.gcode", upright)
	if p.Layers != 10 || p.ExtentMM.X != [2]float64{45.4, 74.6} || p.ExtentMM.Y != [2]float64{2.4, 21.6} || p.Blocked() {
		t.Errorf("clip: %d layers, extent %+v, findings %+v", p.Layers, p.ExtentMM, p.Findings)
	}
	near(t, "clip pitch", p.PitchMM, 19.2+10, 1e-9)
	p = mustInspect(t, jobs+"stake-clip-tilted.gcode", tilted)
	near(t, "tilted advance", p.BeltAdvanceMM, 23.193-1.131, 1e-9) // from the first layer's Z to the last's
	near(t, "tilted travel is advance alone", p.BeltTravelMM, p.BeltAdvanceMM, 1e-9)
	if p.Layers != 40 || len(p.Added) != 0 {
		t.Errorf("tilted: %d layers, added %v", p.Layers, p.Added)
	}
	p = mustInspect(t, jobs+"drip-peg.gcode", upright)
	if p.Layers != 8 || p.End.PositionMM[gcode.Z] != 12 || !strings.Contains(p.Body.Why, "M808") {
		t.Errorf("peg: %d layers, end %v, why %q", p.Layers, p.End.PositionMM, p.Body.Why)
	}
	near(t, "peg height", p.ExtentMM.Z[1], 3.2, 1e-9)
}

func TestPlanAsJSON(t *testing.T) {
	p := mustInspect(t, jobs+"stake-clip.gcode", upright)
	text, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Sections map[string]struct {
			FirstLine int64  `json:"first_line"`
			LastLine  int64  `json:"last_line"`
			Why       string `json:"why"`
		} `json:"sections"`
		Extent    map[string][2]float64 `json:"extent_mm"`
		DurationS float64               `json:"duration_s"`
		Pitch     float64               `json:"pitch_mm"`
		Findings  []map[string]any      `json:"findings"`
		Withheld  []map[string]any      `json:"withheld"`
	}
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	if b := got.Sections["body"]; b.FirstLine != p.Body.FirstLine || b.LastLine != p.Body.LastLine || b.Why == "" || len(got.Sections) != 3 {
		t.Errorf("sections %+v", got.Sections)
	}
	if got.Extent["x"] != p.ExtentMM.X || got.DurationS != p.Duration.Seconds() || got.Pitch != p.PitchMM || len(got.Withheld) != 2 {
		t.Errorf("got %s", text)
	}
}

// The committed example jobs are what their generator writes.
func TestExampleJobsAreGenerated(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the generator")
	}
	dir := t.TempDir()
	if out, err := exec.Command("go", "run", "./"+jobs+"gen", "-dir", dir).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, name := range []string{"stake-clip.gcode", "stake-clip-tilted.gcode", "drip-peg.gcode"} {
		want, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(jobs + name); err != nil || string(got) != string(want) {
			t.Errorf("%s: run go generate ./supervisor/job (%v)", name, err)
		}
	}
}

func mustInspect(t testing.TB, path string, o Options) *Plan {
	t.Helper()
	p, err := Inspect(context.Background(), path, o, nil)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return p
}

// inspectText inspects a file with that content.
func inspectText(t testing.TB, text string, o Options) (*Plan, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "clip.gcode")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return Inspect(context.Background(), path, o, nil)
}

// section reads all lines of a section.
func section(t rapid.TB, p *Plan, kind SectionKind) []string {
	t.Helper()
	r, err := p.Open(kind)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var lines []string
	for {
		line, err := r.Next(nil)
		if errors.Is(err, io.EOF) {
			if int64(len(lines)) != p.Section(kind).SendLines {
				t.Errorf("%s: %d lines, %d announced", kind, len(lines), p.Section(kind).SendLines)
			}
			return lines
		}
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, string(line))
	}
}

func play(t testing.TB, p *Plan, kind SectionKind, s *gcode.State) {
	t.Helper()
	var wire int64
	for _, line := range section(t, p, kind) {
		apply(t, s, line)
		wire += int64(len(line)) + 1
	}
	if kind == Body && wire != p.WireBytes {
		t.Errorf("%d bytes on the wire, %d announced", wire, p.WireBytes)
	}
}

func apply(t testing.TB, s *gcode.State, line string) gcode.Effect {
	t.Helper()
	e, err := s.Apply([]byte(line))
	if err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	return e
}

func texts(changes []Change) string {
	var parts []string
	for _, c := range changes {
		parts = append(parts, strconv.FormatInt(c.Line, 10)+":"+c.Text)
	}
	return strings.Join(parts, " ")
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.12g, want %.12g", what, got, want)
	}
}
