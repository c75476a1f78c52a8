//go:build !race

// One goroutine, for long: the race detector would find nothing.

package job

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// A job of 200 MB must not take more memory than a small one.
func TestMemoryStaysConstant(t *testing.T) {
	if testing.Short() {
		t.Skip("writes 200 MB")
	}
	path := filepath.Join(t.TempDir(), "long.gcode")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	block := []byte(strings.Repeat("G1 X10.14 Y34.18 E8.0273 F600\nG2 X12.14 Y34.18 I1 J0 E8.1\nG1 X9 Y30 E7\nM204 P900\n;"+strings.Repeat(" back", 60)+"\n", 200))
	fmt.Fprint(f, start)
	size := int64(0)
	for size < 200<<20 {
		n, err := f.Write(block)
		if err != nil {
			t.Fatal(err)
		}
		size += int64(n)
	}
	fmt.Fprint(f, "M104 S0\n")
	f.Close()
	var peak uint64
	watch := func(int64, int64) {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		peak = max(peak, m.HeapInuse+m.StackInuse)
	}
	calls := 0
	from := time.Now()
	p, err := Inspect(context.Background(), path, upright, func(done, total int64) {
		if calls++; calls%50 == 0 {
			watch(done, total)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	took := time.Since(from)
	t.Logf("%d lines in %v, %.0f MB/s, peak heap and stack %.1f MB", p.Lines, took, float64(size)/1e6/took.Seconds(), float64(peak)/1e6)
	if peak > 24<<20 {
		t.Errorf("peak of %d bytes", peak)
	}
	r, err := p.Open(Body)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var line []byte
	lines := int64(0)
	for {
		if line, err = r.Next(line[:0]); err != nil {
			break
		}
		lines++
	}
	if err != io.EOF || lines != p.Body.SendLines {
		t.Errorf("%d lines of %d, %v", lines, p.Body.SendLines, err)
	}
	if watch(0, 0); peak > 24<<20 {
		t.Errorf("peak of %d bytes after reading", peak)
	}
}

// A reader that is open never gives out a line of another file: it ends with ErrChanged.
func TestAlteredWhileRead(t *testing.T) {
	want := map[SectionKind][]string{}
	for _, kind := range []SectionKind{LeadIn, Body, LeadOut} {
		path, _ := longJob(t)
		want[kind] = section(t, mustInspect(t, path, upright), kind)
	}
	for _, c := range alterations {
		for kind, want := range want {
			for _, after := range []int64{0, 1, 5_000} {
				path, text := longJob(t)
				p := mustInspect(t, path, upright)
				r, err := p.Open(kind)
				check(t, err)
				var got []string
				for n := int64(0); ; n++ {
					if n == after {
						c.do(t, path, text)
					}
					var line []byte
					if line, err = r.Next(nil); err != nil {
						break
					}
					got = append(got, string(line))
				}
				what := fmt.Sprintf("%s after %d lines of the %s", c.name, after, kind)
				if !errors.Is(err, ErrChanged) || err.Error() != "cannot go on with "+path+": the job file has changed since it was inspected; inspect it again" {
					t.Errorf("%s: got %v", what, err)
				}
				if len(got) > len(want) || strings.Join(got, "\n") != strings.Join(want[:len(got)], "\n") {
					t.Errorf("%s: lines of another file", what)
				}
				if _, err := r.Next(nil); err == nil {
					t.Errorf("%s: goes on after its end", what)
				}
				check(t, r.Close())
				if _, err := p.Open(kind); err == nil {
					t.Errorf("%s: can be opened again", what)
				}
			}
		}
	}
}
