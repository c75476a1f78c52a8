package job

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"beltwarden/supervisor/gcode"
)

func TestLineEnds(t *testing.T) {
	lf := start + "; note\nG1 X6 E5\n\nG1 X7 E6\nM104 S0\nM84\n"
	want, err := inspectText(t, lf, upright)
	if err != nil {
		t.Fatal(err)
	}
	body := strings.Join(section(t, want, Body), "|")
	for name, text := range map[string]string{
		"CRLF": strings.ReplaceAll(lf, "\n", "\r\n"), "CR": strings.ReplaceAll(lf, "\n", "\r"),
		"no end": strings.TrimSuffix(lf, "\n"), "CR, no end": strings.TrimSuffix(strings.ReplaceAll(lf, "\n", "\r"), "\r"),
		"byte order mark": "\xef\xbb\xbf" + lf, "numbered": numbered(lf),
	} {
		p, err := inspectText(t, text, upright)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if p.Lines != want.Lines || p.Body.FirstLine != want.Body.FirstLine || p.Body.LastLine != want.Body.LastLine || p.FilamentMM != want.FilamentMM {
			t.Errorf("%s: lines %d, body %d to %d", name, p.Lines, p.Body.FirstLine, p.Body.LastLine)
		}
		same(t, name, strings.Join(section(t, p, Body), "|"), body)
		for _, kind := range []SectionKind{LeadIn, LeadOut} {
			same(t, name, strings.Join(section(t, p, kind), "|"), strings.Join(section(t, want, kind), "|"))
		}
	}
}

// numbered frames every line with a number and a checksum.
func numbered(text string) string {
	var b strings.Builder
	for n, line := range strings.Split(strings.TrimSuffix(text, "\n"), "\n") {
		if strings.HasPrefix(line, ";") || line == "" {
			fmt.Fprintln(&b, line)
			continue
		}
		line = fmt.Sprintf("N%d %s", n, line)
		sum := byte(0)
		for _, c := range []byte(line) {
			sum ^= c
		}
		fmt.Fprintf(&b, "%s*%d\n", line, sum)
	}
	return b.String()
}

func TestNotAJob(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	pipe := filepath.Join(dir, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, has := range map[string]string{
		dir: "is a directory", pipe: "pipe", write("empty", ""): "is empty", write("gz", "\x1f\x8b\x08rest of it"): "compressed (gzip)",
		write("zip", "PK\x03\x04"): "compressed (zip)", write("utf16", "\xff\xfeG\x001\x00"): "UTF-16", write("png", "\x89PNG\r\n"): "no G-code",
		write("model", "solid clip\nfacet"): "slice it first", filepath.Join(dir, "absent"): "no such file",
		write("long", start+"G1 X6 E5\n;"+strings.Repeat("x", MaxLineBytes+1)+"\nG1 X--1\n"): "long:9: the line is longer than 1048576 bytes",
		write("blank", "\n"): "no part",
	} {
		_, err := Inspect(context.Background(), path, upright, nil)
		if err == nil || !strings.Contains(err.Error(), has) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: got %v, want %q", filepath.Base(path), err, has)
		}
	}
	for _, o := range []Options{{BeltAxis: gcode.X}, {BeltAxis: gcode.Y, Forward: 2}, {BeltAxis: gcode.Y, GapMM: -1}, {BeltAxis: gcode.Y, HomedAxes: []gcode.Axis{gcode.Y}}} {
		if _, err := Inspect(context.Background(), jobs+"stake-clip.gcode", o, nil); err == nil {
			t.Errorf("%+v accepted", o)
		}
	}
}

func TestCancelledAndProgress(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	var last, total int64
	if _, err := Inspect(ctx, jobs+"buttons.gcode", upright, func(done, of int64) {
		if done < last {
			t.Errorf("progress went back from %d to %d", last, done)
		}
		last, total = done, of
	}); err != nil || last != total || total != 935291 {
		t.Errorf("read %d of %d, %v", last, total, err)
	}
	cancel()
	if _, err := Inspect(ctx, jobs+"buttons.gcode", upright, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

func TestChangedFile(t *testing.T) {
	text := start + strings.Repeat("G1 X6 E5\nG1 X7 E6\n", 40_000) + "M104 S0\n"
	stamp := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	fresh := func() (string, *Plan) {
		path := filepath.Join(t.TempDir(), "clip.gcode")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, stamp, stamp); err != nil {
			t.Fatal(err)
		}
		return path, mustInspect(t, path, upright)
	}
	drain := func(r *Reader) error {
		for {
			if _, err := r.Next(nil); err != nil {
				return err
			}
		}
	}
	path, p := fresh()
	r, err := p.Open(Body)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(path, stamp, stamp.Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	if err := drain(r); !errors.Is(err, ErrChanged) {
		t.Errorf("time changed while reading: %v", err)
	}
	if _, err := r.Next(nil); !errors.Is(err, ErrChanged) {
		t.Errorf("the error must stay: %v", err)
	}
	if _, err := p.Open(Body); !errors.Is(err, ErrChanged) {
		t.Errorf("time changed: %v", err)
	}

	path, p = fresh()
	// One digit is altered, and identity is made to be the same: only the digest can tell.
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte("8"), p.Body.FromByte+4); err != nil {
		t.Fatal(err)
	}
	f.Close()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	p.identity = identityOf(info)
	if r, err = p.Open(Body); err != nil {
		t.Fatal(err)
	}
	if err := drain(r); !errors.Is(err, ErrChanged) {
		t.Errorf("digit changed: %v", err)
	}
	if r, err = p.Open(LeadIn); err != nil {
		t.Fatal(err)
	}
	if err := drain(r); err != io.EOF {
		t.Errorf("the lead-in is unchanged: %v", err)
	}
	if err := os.Truncate(path, 100); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Open(LeadOut); !errors.Is(err, ErrChanged) {
		t.Errorf("truncated: %v", err)
	}
	os.Remove(path)
	if _, err := p.Open(Body); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("removed: %v", err)
	}
}

func TestReaderAllocatesNothing(t *testing.T) {
	for _, name := range []string{"buttons.gcode", "drip-peg.gcode"} {
		p := mustInspect(t, jobs+name, upright)
		dst := make([]byte, 0, 256)
		allocs := testing.AllocsPerRun(1, func() {
			r, err := p.Open(Body)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			for {
				if dst, err = r.Next(dst[:0]); err != nil {
					return
				}
			}
		})
		// Opening, and looking at the file at each refill, allocate; lines do not.
		if perLine := (allocs - 60) / float64(p.Body.SendLines); perLine > 0.001 {
			t.Errorf("%s: %v allocations for %d lines", name, allocs, p.Body.SendLines)
		}
	}
}

// A line of 100 MB is named, and not held.
func TestHugeLine(t *testing.T) {
	if testing.Short() {
		t.Skip("writes 100 MB")
	}
	path := filepath.Join(t.TempDir(), "line.gcode")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprint(f, start)
	for range 100 {
		if _, err := f.Write(bytes.Repeat([]byte("X1 "), 350_000)); err != nil {
			t.Fatal(err)
		}
	}
	fmt.Fprint(f, "\nG1 X--1\n")
	f.Close()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err = Inspect(context.Background(), path, upright, nil)
	runtime.ReadMemStats(&after)
	var refusal *Refusal
	if !errors.As(err, &refusal) || len(refusal.Problems) < 2 || refusal.Problems[1].Line != 8 || refusal.Problems[2].Line != 9 {
		t.Fatalf("got %v", err)
	}
	if got := after.TotalAlloc - before.TotalAlloc; got > 16<<20 {
		t.Errorf("%d bytes allocated", got)
	}
}
