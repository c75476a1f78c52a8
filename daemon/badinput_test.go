package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"beltwarden/supervisor/ledger"
)

// nobody is the user that owns nothing; its number is common practice, no source.
const nobody = 65534

// badInput is one thing that is wrong. The program is run on it, and says what,
// where and what to do in one message, with the status that the help promises.
type badInput struct {
	name string
	// make puts the thing at a path in the workshop and returns the command's
	// arguments.
	make   func(t *testing.T, w *workshop) []string
	status int
	says   []string // parts of standard error, or of standard output for status 0
	asUser bool     // run as a user without rights; skipped where that cannot be
}

// inspecting makes a job file with the content given.
func inspecting(content string) func(*testing.T, *workshop) []string {
	return func(t *testing.T, w *workshop) []string {
		return []string{"inspect", w.put(t, "job.gcode", content)}
	}
}

// configured serves a configuration with one text in it replaced.
func configured(before, after string) func(*testing.T, *workshop) []string {
	return func(t *testing.T, w *workshop) []string {
		text, err := os.ReadFile(w.config)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(text, []byte(before)) {
			t.Fatalf("the configuration has no %q", before)
		}
		w.put(t, "machine.yaml", strings.Replace(string(text), before, after, 1))
		return []string{"serve", "--config", w.config}
	}
}

const soundJob = "G21\nG90\nM82\nM140 S50\nM109 S200\nG28 X Z\nG92 Y0\nG1 Z0.3 F600\nG1 X10 Y10 E1 F600\nG1 X20 Y10 E2\nM104 S0\n"

var badInputs = []badInput{
	{"a job that is not there", func(_ *testing.T, w *workshop) []string { return []string{"inspect", w.dir + "/none.gcode"} },
		exitJob, []string{"none.gcode", "no such file", "hint: check the path"}, false},
	{"a job that may not be read", func(t *testing.T, w *workshop) []string {
		path := w.put(t, "job.gcode", soundJob)
		if err := os.Chmod(path, 0); err != nil {
			t.Fatal(err)
		}
		return []string{"inspect", path}
	}, exitJob, []string{"job.gcode", "permission denied", "hint: let this user read the file"}, true},
	{"a directory for a job", func(_ *testing.T, w *workshop) []string { return []string{"inspect", w.dir} },
		exitJob, []string{"is a directory", "hint: "}, false},
	{"a link that leads to itself", func(t *testing.T, w *workshop) []string {
		path := w.dir + "/loop.gcode"
		if err := os.Symlink(path, path); err != nil {
			t.Fatal(err)
		}
		return []string{"inspect", path}
	}, exitJob, []string{"loop.gcode: too many levels of symbolic links", "hint: name the file itself; the link is broken"}, false},
	{"a file for a directory", func(t *testing.T, w *workshop) []string {
		return []string{"inspect", w.put(t, "clips", soundJob) + "/clip.gcode"}
	}, exitJob, []string{"clips/clip.gcode: not a directory", "hint: check the path"}, false},
	{"a pseudo file for a job", func(*testing.T, *workshop) []string { return []string{"inspect", "/proc/self/maps"} },
		exitJob, []string{"/proc/self/maps: it has no size, and yet there is something in it: is it a device or a pseudo file?", "hint: save the job as a file first"}, false},
	{"an archive for a job", inspecting(strings.Repeat("n", 257) + "ustar\x0000" + strings.Repeat("\x00", 248)), exitJob,
		[]string{"job.gcode: it is an archive (tar)", "hint: unpack it"}, false},
	{"a job in two-byte characters", inspecting("G\x002\x001\x00\n\x00G\x009\x000\x00\n\x00"), exitJob,
		[]string{"job.gcode: it is text in UTF-16", "hint: save it as plain ASCII or UTF-8"}, false},
	{"a checksum that is not the line's", inspecting(strings.Replace(soundJob, "G92 Y0\n", "N3 G92 Y0*12\n", 1)), exitOK,
		[]string{"the line ends with checksum 12, and its bytes make ", "Verdict      it can run; read the"}, false},
	{"an empty job", inspecting(""), exitJob, []string{"job.gcode: it is empty", "hint: slice the part again"}, false},
	{"a line of 100 MB", func(t *testing.T, w *workshop) []string {
		path := w.put(t, "job.gcode", "G21\n")
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for block := bytes.Repeat([]byte("X1 "), 1<<20/3); ; {
			if n, _ := f.Seek(0, io.SeekCurrent); n > 100_000_000 {
				return []string{"inspect", path}
			}
			if _, err := f.Write(block); err != nil {
				t.Fatal(err)
			}
		}
	}, exitJob, []string{"job.gcode:2: ", "longer than", "check whether the file is G-code"}, false},
	{"NUL bytes in a job", inspecting("G21\nG1 X1\x00 E1 F600\n"), exitJob,
		[]string{"job.gcode:2: column 6: a NUL byte; the file is damaged", "slice the part again"}, false},
	{"words that nobody knows", inspecting(strings.Replace(soundJob, "G92 Y0\n", "G92 Y0\nM9999 S1\n", 1)), exitOK,
		[]string{"line 8     not followed here, and sent as they are: M9999", "Verdict      it can run"}, false},
	{"numbers that are none", inspecting(strings.Replace(soundJob, "G92 Y0\n", "G92 Y0x\nG1 Z--3\n", 1)), exitJob,
		[]string{"job.gcode:7: ", "job.gcode:8: ", "hint: correct the job"}, false},
	{"a configuration that is not there", func(_ *testing.T, w *workshop) []string { return []string{"serve", "--config", w.dir + "/none"} },
		exitConfig, []string{"/none yet", "hint: write one"}, false},
	{"a configuration without its keys", configured("  belt_axis: Y\n  forward: +1\n", ""), exitConfig,
		[]string{"2 mistakes", "machine.belt_axis: is missing; write Y for an upright gantry, Z for a tilted one", "machine.forward: is missing; write +1 or -1", "hint: correct the file"}, false},
	{"a unit that is not the key's", configured("to_drop_mm: 220", "to_drop_mm: 22 cm"), exitConfig,
		[]string{"machine.yaml:9:15: belt.to_drop_mm: ", "unit cm", "write 220"}, false},
	{"a ledger of a newer version", func(t *testing.T, w *workshop) []string {
		w.makeLedger(t)
		w.poke(t, 60, "\x00\x00\x00\x63") // user_version of the file header, sqlite.org/fileformat.html
		return []string{"serve", "--config", w.config}
	}, exitLedger, []string{"ledger.db", "its schema is number 99"}, false},
	{"a ledger with a page overwritten", func(t *testing.T, w *workshop) []string {
		w.makeLedger(t)
		w.poke(t, 4096, strings.Repeat("\x00", 4096))
		return []string{"serve", "--config", w.config}
	}, exitLedger, []string{"ledger.db", "damaged"}, false},
	{"a ledger that is cut off", func(t *testing.T, w *workshop) []string {
		w.makeLedger(t)
		if err := os.Truncate(w.ledger, 5000); err != nil {
			t.Fatal(err)
		}
		return []string{"serve", "--config", w.config}
	}, exitLedger, []string{"ledger.db", "damaged"}, false},
	{"something else for a ledger", func(t *testing.T, w *workshop) []string {
		w.put(t, "ledger.db", "Clips for the north house: forty, by Friday.\n")
		return []string{"serve", "--config", w.config}
	}, exitLedger, []string{"ledger.db", "does not begin as a ledger does"}, false},
}

// TestBadInput runs the program on everything that can be wrong with a file.
func TestBadInput(t *testing.T) {
	t.Parallel()
	for _, c := range badInputs {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			w := newWorkshop(t, "", "")
			cmd := exec.Command("beltwarden", c.make(t, w)...)
			if c.asUser {
				cmd = w.asNobody(t, cmd)
			}
			before := w.contents(t)
			o := command(t, cmd)
			o.expect(t, c.status, c.says)
			for name, data := range before {
				now, err := os.ReadFile(filepath.Join(w.dir, name))
				if err != nil || !bytes.Equal(now, data) {
					t.Errorf("%s is not what it was: %v", name, err)
				}
			}
		})
	}
}

// expect holds one clear message against what it must say.
func (o outcome) expect(t *testing.T, status int, says []string) {
	t.Helper()
	text := o.stderr
	if status == exitOK {
		text = o.stdout
	} else if strings.Count("\n"+text, "\nerror: ") != 1 || len(text) > 4096 {
		t.Errorf("not one clear message but\n%s", text)
	}
	if o.status != status {
		t.Errorf("it ends with %d, want %d", o.status, status)
	}
	for _, part := range says {
		if !strings.Contains(text, part) {
			t.Errorf("it does not say %q but\n%s", part, text)
		}
	}
	if strings.Contains(o.stderr, "goroutine ") {
		t.Errorf("it has crashed:\n%s", o.stderr)
	}
}

// TestLineEnds holds that a file means the same with the line ends of any system.
func TestLineEnds(t *testing.T) {
	var want map[string]any
	for _, end := range []string{"\n", "\r\n", "\r"} {
		w := newWorkshop(t, "", "")
		path := w.put(t, "job.gcode", strings.ReplaceAll(soundJob, "\n", end))
		o := command(t, exec.Command("beltwarden", "inspect", path, "--json"))
		var got map[string]any
		if err := json.Unmarshal([]byte(o.stdout), &got); err != nil || o.status != exitOK {
			t.Fatalf("line end %q: status %d, %v\n%s", end, o.status, err, o.stderr)
		}
		// What is of the file and not of what it says.
		for _, key := range []string{"path", "sha256", "source_bytes"} {
			if got[key] == nil {
				t.Errorf("line end %q: there is no %s", end, key)
			}
			delete(got, key)
		}
		if want == nil {
			want = got
		}
		// Where a section lies in the file, in bytes, is another matter where each end has two.
		apart := cmpopts.IgnoreMapEntries(func(key string, _ any) bool {
			return len(end) > 1 && (key == "from_byte" || key == "to_byte")
		})
		if diff := cmp.Diff(want, got, apart); diff != "" {
			t.Errorf("line end %q means something else than a line feed:\n%s", end, diff)
		}
	}
	if want["filament_mm"] != 2.0 || want["lines"] != 11.0 {
		t.Errorf("the job has %v mm of filament in %v lines, want 2 in 11", want["filament_mm"], want["lines"])
	}
}

// put writes a file of the workshop and returns its path.
func (w *workshop) put(t *testing.T, name, content string) string {
	t.Helper()
	path := filepath.Join(w.dir, name)
	if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// poke overwrites bytes of the ledger.
func (w *workshop) poke(t *testing.T, at int64, data string) {
	t.Helper()
	f, err := os.OpenFile(w.ledger, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte(data), at); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// makeLedger makes a sound and closed ledger.
func (w *workshop) makeLedger(t *testing.T) {
	t.Helper()
	l, err := ledger.Open(w.ledger, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
}

// contents reads the files that must survive.
func (w *workshop) contents(t *testing.T) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	for _, name := range []string{"job.gcode", "machine.yaml", "ledger.db"} {
		data, err := os.ReadFile(filepath.Join(w.dir, name))
		if err == nil {
			files[name] = data
		} else if !errors.Is(err, os.ErrNotExist) && !errors.Is(err, os.ErrPermission) {
			t.Fatal(err)
		}
	}
	return files
}

// asNobody has a command run as a user without rights, to whom the workshop
// belongs. Who is no superuser has no more rights than that already.
func (w *workshop) asNobody(t *testing.T, cmd *exec.Cmd) *exec.Cmd {
	t.Helper()
	if os.Geteuid() != 0 {
		return cmd
	}
	// The test's own directories are closed to others.
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	copied := filepath.Join(w.dir, "beltwarden")
	if _, err := os.Stat(copied); err != nil && os.Link(self, copied) != nil {
		if out, err := exec.Command("cp", self, copied).CombinedOutput(); err != nil {
			t.Fatalf("cannot copy the program: %v %s", err, out)
		}
	}
	if err := errors.Join(os.Chmod(w.dir, 0o755), os.Chmod(copied, 0o755), os.Chown(w.dir, nobody, nobody)); err != nil {
		t.Fatal(err)
	}
	other := exec.Command(copied, cmd.Args[1:]...)
	other.Dir = w.dir
	other.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	return other
}
