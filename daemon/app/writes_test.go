package app

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
)

// phase is a stretch of the daemon's life, over which what it writes is counted.
type phase struct {
	name  string
	hours float64
	parts int

	bytes, syncs map[string]int // by the file, without its folder
	writes       int
}

const writesParts = 12

// TestWrites counts what the daemon writes and how often it has the disk synced, at the
// operating system: it runs itself under strace, in virtual time. BELTWARDEN_WRITES=1.
func TestWrites(t *testing.T) {
	switch os.Getenv("BELTWARDEN_WRITES") {
	case "":
		t.Skip("BELTWARDEN_WRITES=1 counts, and takes half a minute")
	case "child":
		writeInPhases(t)
		return
	}
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("there is no strace here")
	}
	dir := t.TempDir()
	trace := filepath.Join(dir, "trace")
	cmd := exec.Command(strace, "-f", "-y", "--seccomp-bpf", "-e", "trace=pwrite64,pwritev,write,writev,fdatasync,fsync,ftruncate", "-o", trace,
		os.Args[0], "-test.run=^TestWrites$", "-test.v", "-test.timeout=9m")
	cmd.Env = append(os.Environ(), "BELTWARDEN_WRITES=child", "TMPDIR="+dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	list := readTrace(t, trace, dir)
	if len(list) != 4 {
		t.Fatalf("%d phases: %+v", len(list), list)
	}
	for _, p := range list {
		total, syncs := 0, 0
		for _, n := range p.bytes {
			total += n
		}
		for _, n := range p.syncs {
			syncs += n
		}
		t.Logf("%-5s %5.2f h, %2d parts: %8d bytes by %4d writes %v, %3d syncs %v", p.name, p.hours, p.parts, total, p.writes, p.bytes, syncs, p.syncs)
		if p.hours > 0 {
			t.Logf("      in an hour: %.0f bytes, %.1f syncs", float64(total)/p.hours, float64(syncs)/p.hours)
		}
		if p.parts > 0 {
			t.Logf("      for a part: %.0f bytes, %.1f syncs", float64(total)/float64(p.parts), float64(syncs)/float64(p.parts))
		}
		if (p.name == "idle" || p.name == "hold") && total+syncs > 0 {
			t.Errorf("a machine that does nothing writes")
		}
	}
}

// writeInPhases is the daemon that is watched. It notes each phase by a write of its own.
func writeInPhases(t *testing.T) {
	mark, err := os.Create(filepath.Join(os.Getenv("TMPDIR"), "phase"))
	if err != nil {
		t.Fatal(err)
	}
	defer mark.Close()
	c := workWeek(t)
	c.Hold.EveryParts, c.Hold.Every, c.Hold.EveryTravelMM, c.Hold.Attended, c.Discharge.BinParts = writesParts, 0, 0, "", 0
	c.Machine.TemperaturePoll = 2 * time.Second
	if n, err := strconv.Atoi(os.Getenv("BELTWARDEN_PROGRESS_S")); err == nil {
		c.Ledger.ProgressEvery = time.Duration(n) * time.Second
	}
	path := filepath.Join(filepath.Dir(c.Ledger.Path), "peg.gcode")
	if err := os.WriteFile(path, []byte(pegText()), 0o600); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		rs := rig.DefaultSettings()
		rs.Belt.Axis, rs.Belt.LoopLengthMM, rs.RecordTo = 'Y', 2400, io.Discard
		r, err := rig.New(rs)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		s := &shop{t: t, c: c, rig: r, web: newWeb(), free: func(time.Time) int64 { return 5e9 }}
		defer s.web.shut()
		s.begin()
		defer s.end()
		note := func(name string, hours float64, parts int) {
			_, _ = fmt.Fprintf(mark, "%s %.3f %d\n", name, hours, parts)
		}
		until := func(want supervisor.State) float64 {
			t.Helper()
			begun := time.Now()
			for s.app.Snapshot().State != want {
				if time.Sleep(time.Second); time.Since(begun) > 48*time.Hour {
					t.Fatalf("it is %s, not %s", s.app.Snapshot().State, want)
				}
			}
			return time.Since(begun).Hours()
		}
		until(supervisor.Idle)
		time.Sleep(time.Hour) // past the first copy
		note("begin", 0, 0)
		time.Sleep(6 * time.Hour)
		note("idle", 6, 0)
		plan, err := s.app.jobs.inspect(t.Context(), path, job.Lines{})
		if err != nil {
			t.Fatal(err)
		}
		s.must(supervisor.Request{Lot: &supervisor.LotRequest{Plans: []*job.Plan{plan}, Good: []int{2 * writesParts}, Start: true}})
		hours := until(supervisor.Held)
		note("work", hours, s.app.Snapshot().Lot.Made)
		time.Sleep(time.Hour) // the alert is sent, the heaters are off
		note("begin", 0, 0)
		time.Sleep(6 * time.Hour)
		note("hold", 6, 0)
		if err := s.app.backups.Make(context.Background()); err != nil {
			t.Fatal(err)
		}
		note("copy", 0, 0)
	})
}

// traced is a call that has ended. Where another thread's came in between, strace tells it in two lines.
var (
	traced     = regexp.MustCompile(`^\d+ +(\w+)\((\d+)<([^>]*)>(.*)\) += (\d+)`)
	unfinished = regexp.MustCompile(`^(\d+) +(.*) <unfinished \.\.\.>$`)
	resumed    = regexp.MustCompile(`^(\d+) +<\.\.\. \w+ resumed>(.*)$`)
)

// readTrace sums up what strace saw of the files in a folder.
func readTrace(t *testing.T, trace, dir string) (list []phase) {
	f, err := os.Open(trace)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	fresh := func() phase { return phase{bytes: map[string]int{}, syncs: map[string]int{}} }
	now, begun := fresh(), map[string]string{} // by thread
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		line := lines.Text()
		if m := unfinished.FindStringSubmatch(line); m != nil {
			begun[m[1]] = m[1] + " " + m[2]
			continue
		}
		if m := resumed.FindStringSubmatch(line); m != nil {
			line = begun[m[1]] + m[2]
		}
		m := traced.FindStringSubmatch(line)
		if m == nil || !strings.HasPrefix(m[3], dir) {
			continue
		}
		name := filepath.Base(m[3])
		n, err := strconv.Atoi(m[5])
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case name == "phase":
			_, text, _ := strings.Cut(m[4], `"`)
			if _, err := fmt.Sscanf(text, "%s %f %d", &now.name, &now.hours, &now.parts); err != nil {
				t.Fatalf("%q: %v", text, err)
			}
			if now.name != "begin" {
				list = append(list, now)
			}
			now = fresh()
		case strings.Contains(m[1], "sync"):
			now.syncs[name]++
		case strings.Contains(m[1], "write"):
			now.bytes[name] += n
			now.writes++
		}
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return list
}
