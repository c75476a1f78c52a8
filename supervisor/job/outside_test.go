package job

import (
	"bufio"
	"context"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The belt's travel before and after the part, summed here with a reader of its own
// over the lines that stand outside the body: those up to the given first one, and
// from the one after the last on. The line numbers are read off the files by hand.
func TestTravelOutsideBody(t *testing.T) {
	word := regexp.MustCompile(`Y(-?[0-9.]+)`)
	own := filepath.Join(t.TempDir(), "own.gcode")
	if err := os.WriteFile(own, []byte("G21\nG90\nM82\nM140 S50\nM109 S200\nG28 X Z\nG92 Y0\nG1 Z0.3 Y3 F600\n"+
		";beltwarden body begin\nG1 X10 Y10 E1\nG1 X20 Y10 E2\n;beltwarden body end\nM104 S0\nG1 Y25 F3000\nG1 Y20\nM140 S0\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		file        string
		first, last int
		// What the two sums come to, computed by hand from the Y words.
		leadIn, leadOut float64
	}{
		{jobs + "buttons.gcode", 11, 36653, 33.94, 0},
		{own, 9, 12, 3, 20},
		{jobs + "stake-clip.gcode", 23, 816, 2.4, 0},
	} {
		f, err := os.Open(c.file)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		at, sum := 0.0, [2]float64{}
		n := 0
		for sc := bufio.NewScanner(f); sc.Scan(); {
			n++
			w := word.FindStringSubmatch(sc.Text())
			if w == nil || !strings.HasPrefix(sc.Text(), "G0") && !strings.HasPrefix(sc.Text(), "G1") && !strings.HasPrefix(sc.Text(), "G3") {
				continue
			}
			to, err := strconv.ParseFloat(w[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			if n < c.first {
				sum[0] += math.Abs(to - at)
			} else if n > c.last {
				sum[1] += math.Abs(to - at)
			}
			at = to
		}
		if math.Abs(sum[0]-c.leadIn) > 1e-9 || math.Abs(sum[1]-c.leadOut) > 1e-9 {
			t.Fatalf("%s: the reader here has %v outside the body", c.file, sum)
		}
		p, err := Inspect(context.Background(), c.file, upright, nil)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(p.LeadInBeltMM-sum[0]) > 1e-6 || math.Abs(p.LeadOutBeltMM-sum[1]) > 1e-6 {
			t.Errorf("%s: %.3f mm in the lead-in and %.3f in the lead-out, want %v", c.file, p.LeadInBeltMM, p.LeadOutBeltMM, sum)
		}
	}
}
