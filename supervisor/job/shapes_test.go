package job

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"beltwarden/testdata/jobs/sliced"
)

const fewestShapes = 120

// expected is what the first line of a shape says.
type expected struct {
	refuse string // code
	truth  sliced.Truth
	ask    string // code of the question asked
}

func readExpected(path string) (want expected, err error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return want, err
	}
	line, _, _ := bytes.Cut(bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")), []byte("\n"))
	first, _, _ := strings.Cut(string(line), "\r")
	fields := strings.Fields(first)
	switch {
	case len(fields) == 4 && fields[2] == "refuse":
		want.refuse = fields[3]
	case len(fields) >= 7 && fields[2] == "accept":
		t := &want.truth
		if _, err = fmt.Sscanf(strings.Join(fields[3:7], " "), "first=%d last=%d belt=%f filament=%f", &t.First, &t.Last, &t.BeltMM, &t.FilamentMM); len(fields) > 7 {
			want.ask = strings.TrimPrefix(fields[7], "ask=")
		}
	default:
		err = fmt.Errorf("the first line says not what is expected: %q", first)
	}
	return want, err
}

// judgeShape compares a plan, or why there is none, with what is expected.
func judgeShape(p *Plan, err error, want expected) (wrong string) {
	var refused *Refusal
	var problems []Finding
	switch {
	case errors.As(err, &refused):
		problems = refused.Problems
	case err != nil:
		return err.Error()
	default:
		for _, f := range p.Findings {
			if f.Severity == Error {
				problems = append(problems, f)
			}
		}
	}
	if want.refuse != "" {
		if !slices.ContainsFunc(problems, func(f Finding) bool { return f.Code == want.refuse }) {
			return fmt.Sprintf("not refused for %s, but for %+v", want.refuse, problems)
		}
		return ""
	}
	if len(problems) > 0 {
		return fmt.Sprintf("refused: %+v", problems)
	}
	t := want.truth
	if p.Body.FirstLine != t.First || p.Body.LastLine != t.Last {
		return fmt.Sprintf("body in lines %d to %d, want %d to %d: %s", p.Body.FirstLine, p.Body.LastLine, t.First, t.Last, p.Body.Why)
	}
	if math.Abs(p.BeltTravelMM-t.BeltMM) > 0.01 || math.Abs(p.FilamentMM-t.FilamentMM) > 0.01 {
		return fmt.Sprintf("belt %.3f mm, want %.3f; filament %.3f mm, want %.3f", p.BeltTravelMM, t.BeltMM, p.FilamentMM, t.FilamentMM)
	}
	for _, f := range p.Findings {
		if f.Severity == Warning && slices.Contains(asks, f.Code) && f.Code != want.ask {
			return fmt.Sprintf("asks %+v", f)
		}
	}
	if want.ask != "" && severityOf(p.Findings, want.ask) != Warning {
		return "does not ask " + want.ask
	}
	return ""
}

// TestShapes inspects the small files of testdata/jobs/shapes, one of each shape met in practice:
// what their first line expects is found.
func TestShapes(t *testing.T) {
	t.Parallel()
	paths, err := filepath.Glob(jobs + "shapes/*.gcode")
	if err != nil || len(paths) < fewestShapes {
		t.Fatalf("%d shapes, want %d at least (%v)", len(paths), fewestShapes, err)
	}
	accepted, refused, wrong, warned := 0, 0, 0, 0
	for _, path := range paths {
		want, err := readExpected(path)
		if err != nil {
			t.Errorf("%s: %v", path, err)
			continue
		}
		p, err := Inspect(context.Background(), path, upright, nil)
		switch why := judgeShape(p, err, want); {
		case why != "":
			wrong++
			t.Errorf("%s: %s", filepath.Base(path), why)
		case want.refuse != "":
			refused++
		default:
			accepted++
			warnings := 0
			for _, f := range p.Findings {
				if f.Severity == Warning {
					warnings++
				}
			}
			warned += min(1, warnings)
		}
	}
	t.Logf("%d shapes: %d accepted, %d of them with a warning; %d refused rightly; %d wrong", len(paths), accepted, warned, refused, wrong)
}
