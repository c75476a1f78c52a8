package job

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"math"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Inspection allocates nothing for a line, and its memory does not grow with the file.
func TestInspectionIsConstant(t *testing.T) {
	cost := func(size int64) (lines int64, allocs, total uint64) {
		path := generated(t, size)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		p, err := Inspect(context.Background(), path, upright, nil)
		runtime.ReadMemStats(&after)
		if err != nil {
			t.Fatal(err)
		}
		return p.Lines, after.Mallocs - before.Mallocs, after.TotalAlloc - before.TotalAlloc
	}
	cost(1 << 20) // what is made once only
	fewLines, few, small := cost(1 << 20)
	manyLines, many, large := cost(8 << 20)
	if manyLines < 6*fewLines {
		t.Fatalf("%d lines and %d", fewLines, manyLines)
	}
	// Findings keep a few lines each; the files have the same ones.
	if many > few+100 || large > small+256<<10 {
		t.Errorf("%d lines cost %d allocations of %d bytes, %d lines %d of %d", fewLines, few, small, manyLines, many, large)
	}
}

// travelOnly is what is compared with: it splits at blanks, converts with the standard
// library and adds up the movement of one axis, straight, absolute and in millimetres.
func travelOnly(path string) (mm float64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	at := 0.0
	sc := bufio.NewScanner(f)
	for sc.Scan() {
		line := sc.Bytes()
		if k := bytes.IndexByte(line, ';'); k >= 0 {
			line = line[:k]
		}
		fields := bytes.Fields(line)
		if len(fields) == 0 || len(fields[0]) != 2 || fields[0][0] != 'G' || fields[0][1] > '3' {
			continue
		}
		for _, w := range fields[1:] {
			v, err := strconv.ParseFloat(string(w[1:]), 64)
			if err != nil {
				return 0, err
			}
			if w[0] == 'Y' {
				mm += math.Abs(v - at)
				at = v
			}
		}
	}
	return mm, sc.Err()
}

// countNewlines is the least that can be done with a file.
func countNewlines(path string) (n int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	buf := make([]byte, 64<<10)
	for {
		k, err := f.Read(buf)
		n += int64(bytes.Count(buf[:k], []byte{'\n'}))
		if err == io.EOF {
			return n, nil
		}
		if err != nil {
			return n, err
		}
	}
}

// TestSpeedTable prints what inspection takes on one processor. Times are not judged: they
// depend on the computer and on what else it does. Memory is.
func TestSpeedTable(t *testing.T) {
	if os.Getenv("BELTWARDEN_BENCH") == "" {
		t.Skip("a table for people; make bench prints it")
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	big := generated(t, 140e6)
	t.Logf("one processor, best of several runs, files in the page cache")
	t.Logf("%-18s %-12s %8s %8s %12s %14s", "job", "", "MB/s", "ns/line", "allocs/line", "x travel only")
	compare(t, "real, 0.9 MB", jobs+"buttons.gcode", 40)
	compare(t, "generated, 140 MB", big, 3)
	t.Logf("%-16s %8s %8s %14s", "growth", "s", "MB/s", "peak memory MB")
	for _, size := range []int64{1e6, 1e7, 1e8, 1e9} {
		path := generated(t, size)
		peak := resetPeak(t)
		start := time.Now()
		p, err := Inspect(context.Background(), path, upright, nil)
		took := time.Since(start)
		if err != nil {
			t.Fatal(err)
		}
		mb := peak()
		t.Logf("%13d MB %8.3f %8.1f %14.1f", size/1e6, took.Seconds(), float64(p.SourceBytes)/1e6/took.Seconds(), mb)
		if mb > 32 {
			t.Errorf("%d MB need %.1f MB of memory", size/1e6, mb)
		}
		os.Remove(path)
	}
}

// compare prints one job's rows.
func compare(t *testing.T, name, path string, runs int) {
	t.Helper()
	newlines, err := countNewlines(path)
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	best := func(do func() error) (s, allocs float64) {
		s = math.Inf(1)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		for range runs {
			start := time.Now()
			if err := do(); err != nil {
				t.Fatal(err)
			}
			s = min(s, time.Since(start).Seconds())
		}
		runtime.ReadMemStats(&after)
		return s, float64(after.Mallocs-before.Mallocs) / float64(runs) / float64(newlines)
	}
	naive, naiveAllocs := best(func() error { _, err := travelOnly(path); return err })
	full, fullAllocs := best(func() error {
		p, err := Inspect(context.Background(), path, upright, nil)
		if err == nil && p.Lines != newlines {
			t.Errorf("%d lines inspected, %d counted", p.Lines, newlines)
		}
		return err
	})
	count, countAllocs := best(func() error { _, err := countNewlines(path); return err })
	for _, r := range []struct {
		what      string
		s, allocs float64
	}{{"inspection", full, fullAllocs}, {"travel only", naive, naiveAllocs}, {"newlines", count, countAllocs}} {
		t.Logf("%-18s %-12s %8.1f %8.1f %12.4f %14.2f", name, r.what, float64(info.Size())/1e6/r.s, r.s*1e9/float64(newlines), r.allocs, naive/r.s)
	}
	if fullAllocs > 0.01 {
		t.Errorf("%s: %.4f allocations a line", name, fullAllocs)
	}
}

// resetPeak forgets the most memory used so far; what it returns tells the most since, in MB.
func resetPeak(t *testing.T) func() float64 {
	t.Helper()
	debug.FreeOSMemory()
	if err := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0); err != nil {
		t.Skipf("the peak of memory cannot be reset here: %v", err)
	}
	return func() float64 {
		status, err := os.ReadFile("/proc/self/status")
		if err != nil {
			t.Fatal(err)
		}
		_, rest, _ := strings.Cut(string(status), "VmHWM:")
		kb, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		return kb * 1024 / 1e6
	}
}
