package supervisor

import (
	"bufio"
	"context"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// realJob is a published part, see testdata/jobs/README.md. The line numbers below were read from the
// file by hand.
const (
	realJob       = "../testdata/jobs/buttons.gcode"
	realBodyFirst = 11    // the first move that extrudes on its way
	realBodyLast  = 36653 // the lift after the last
)

// TestRealJobOverTerminal makes a lot of three of the real job through the real serial library on a
// pseudo-terminal, and compares the machine's record, line by line, with the file on disk, apart from
// redundant zeros.
func TestRealJobOverTerminal(t *testing.T) {
	if testing.Short() {
		t.Skip("110,000 lines over a pseudo-terminal")
	}
	lines := readLines(t, realJob)
	rs := testRig()
	rs.Speed = 0
	rs.Board = rig.Variations()["large"]
	rs.Board.ResetOnOpen = false
	r, err := rig.New(rs)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	dir := t.TempDir()
	tty := filepath.Join(dir, "machine")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go r.ServePTY(ctx, tty)
	waitFor(t, "the terminal", func() bool { _, err := os.Stat(tty); return err == nil })

	set := testSettings()
	set.Port.Path = tty
	set.Conn = serialio.Options{WindowBytes: 1000, BootWait: 50 * time.Millisecond, QuietFor: 20 * time.Millisecond}
	set.PollEvery = 50 * time.Millisecond
	l, err := ledger.Open(filepath.Join(dir, "ledger.db"), ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	inspect := func(ctx context.Context, path string) (*job.Plan, error) {
		return job.Inspect(ctx, path, testJobOptions(), nil)
	}
	plan, err := inspect(ctx, realJob)
	if err != nil {
		t.Fatal(err)
	}
	m, err := NewMachine(ctx, set, l, inspect, "test", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	s := New(m, l, serialio.OpenDevice, zap.NewNop())
	runCtx, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- s.Run(runCtx) }()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	waitFor(t, "Idle", func() bool { return s.Snapshot().State == Idle })
	began := time.Now()
	if _, err := s.Do(ctx, Request{Lot: &LotRequest{Plans: []*job.Plan{plan}, Good: []int{3}, Start: true}}); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "Complete", func() bool {
		if shot := s.Snapshot(); shot.State == Aborted || shot.State == Held {
			t.Fatalf("%s: %s", shot.State, shot.Cause.Text)
		}
		return s.Snapshot().State == Complete
	})
	shot := s.Snapshot()
	t.Logf("3 parts in %.1f s, %.0f lines/s, %d resends", time.Since(began).Seconds(),
		float64(shot.Line.Stats.LinesAccepted)/time.Since(began).Seconds(), shot.Line.Stats.Resends)

	compareRecord(t, r.Record(), expectedRecord(lines))
	if shot.Lot.Made != 3 {
		t.Errorf("%d parts counted, want 3", shot.Lot.Made)
	}
	fig := r.Figures()
	if want := 3 * 734.637; math.Abs(fig.FilamentMM-want) > 1e-4*want {
		t.Errorf("net filament %.3f mm, want %.3f within 0.01 %%", fig.FilamentMM, want)
	}
	want := 3*bodyTravel(lines) + restTravel
	if math.Abs(fig.CommandedMM-want) > 0.1 || math.Abs(shot.Belt.TravelMM-want) > 0.1 {
		t.Errorf("belt travel: machine %.3f mm, ledger %.3f mm, computed apart %.3f mm", fig.CommandedMM, shot.Belt.TravelMM, want)
	}
}

// restTravel is the belt travel outside the three bodies: 33.94 mm in the
// lead-in, three discharges of 81.64 + 50.6 mm (pitch: 71.64 mm of part and 10 mm
// of gap; the body ends 50.6 mm behind where it began), and at the end 220 mm to
// the drop edge and one pitch.
const restTravel = 33.94 + 3*(81.64+50.6) + 220 + 81.64

// expectedRecord builds what the machine should have executed from the file's
// own lines and the lines of lead-in, restoring and discharge written out here.
func expectedRecord(lines []string) []string {
	var want []string
	add := func(l ...string) { want = append(want, l...) }
	add(realOpening...)
	for _, l := range lines[:realBodyFirst-1] {
		switch l {
		case "G21":
			add("M82", "M107") // modes that the job assumes without setting them
		case "G28":
			add("G28 X Z", "G92 Y0") // the belt axis has no end stop
			continue
		}
		add(shortened(l))
	}
	add("M400")
	for part := range 3 {
		if part > 0 {
			add(realRestore...)
		}
		for _, l := range lines[realBodyFirst-1 : realBodyLast] {
			add(shortened(l))
		}
		add("M400")
		add(realDischarge...)
	}
	add("G1 F6000") // the feed in force when the part ended
	// Lead-out without the line that releases the motors, then the advance that takes the last parts
	// off.
	for _, l := range lines[realBodyLast:] {
		if l != "M84" {
			add(shortened(l))
		}
	}
	return append(want, realClear...)
}

var (
	realOpening   = []string{"G21", "G90", "M82", "M220 S100", "M221 S100", "G92 Y0", "M84 S0"}
	realDischarge = []string{"G21", "G90", "G1 Z26.9 F600", "G90",
		"G92 Y-32.18", "G1 Y33.94 F1200", "M400", "G90", "G92 Y-32.18", "G1 Y33.94 F1200", "M400"}
	realRestore = []string{"G1 X10.5 F6000", "G1 Z0.2 F600", "M83", "G1 E8 F1800", "G92 E8", "M107", "M82", "G1 F4200"}
	realPiece   = []string{"G90", "G92 Y-41.47", "G1 Y33.94 F1200", "M400"} // 75.41 mm, a quarter of the way out
	realClear   = slices.Concat(realPiece, realPiece, realPiece, realPiece, []string{"M104 S0", "M140 S0", "M400"})
)

// zeroFirst is a zero before a number's decimal point, the only thing left out of this file's lines:
// it has no comments, no needless blanks, and no number with trailing decimal zeros.
var zeroFirst = regexp.MustCompile(`([A-Z]-?)0\.`)

// shortened is a line of the file as it should appear on the wire.
func shortened(line string) string { return zeroFirst.ReplaceAllString(line, "$1.") }

// ownLine matches the lines that set the line number and query temperatures, which are not part of the
// intended stream.
var ownLine = regexp.MustCompile(`^(M110|M105|M155|M114)`)

// compareRecord compares what the board executed since the lot began.
func compareRecord(t *testing.T, record []rig.Executed, want []string) {
	t.Helper()
	var got []string
	begun := false
	for _, e := range record {
		begun = begun || e.Text == want[0]
		if begun && !ownLine.MatchString(e.Text) {
			got = append(got, e.Text)
		}
	}
	for i := range max(len(got), len(want)) {
		if i >= len(got) || i >= len(want) || got[i] != want[i] {
			t.Fatalf("line %d of the record differs (%d lines, want %d):\n got %q\nwant %q", i, len(got), len(want),
				window(got, i), window(want, i))
		}
	}
	t.Logf("%d lines equal", len(got))
}

func window(list []string, i int) []string {
	return list[min(len(list), max(0, i-2)):min(len(list), i+12)]
}

// bodyTravel sums the belt's movement over the body with a reader of its own.
func bodyTravel(lines []string) float64 {
	word := regexp.MustCompile(`Y(-?[0-9.]+)`)
	at, sum := 0.0, 0.0
	for i, l := range lines {
		w := word.FindStringSubmatch(l)
		if w == nil || !strings.HasPrefix(l, "G1") {
			continue
		}
		to, _ := strconv.ParseFloat(w[1], 64)
		if i >= realBodyFirst-1 && i < realBodyLast {
			sum += math.Abs(to - at)
		}
		at = to
	}
	return sum
}

func readLines(t *testing.T, path string) []string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var lines []string
	for sc := bufio.NewScanner(f); sc.Scan(); {
		lines = append(lines, sc.Text())
	}
	return lines
}

// waitFor waits in real time, with a bound that only a hang reaches.
func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(5 * time.Minute); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("waited in vain for %s", what)
}
