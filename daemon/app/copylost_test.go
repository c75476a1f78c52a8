package app

import (
	"bytes"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"beltwarden/config"
	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// alteredLine takes the place of a harmless one of equal length, far behind what is read ahead.
const (
	alteredLine = "M104 S450 ; S "
	plainLine   = "M117 half way "
)

// halfWay is a job whose body is several times as long as what is read of it at a time.
func halfWay(t *testing.T) (path string, at int64) {
	t.Helper()
	var b bytes.Buffer
	b.WriteString("G21\nG90\nM83\nM104 S200\nG28 X Z\nG92 Y0 E0\nG1 X5 Y1 Z0.2 F6000\n")
	for n := range 12_000 {
		if n == 9_000 {
			at = int64(b.Len())
			b.WriteString(plainLine + "\n")
		}
		fmt.Fprintf(&b, "G1 X%d.%03d Y1 E0.001 ; wall of the clip\n", 5+n%2, n%997)
	}
	b.WriteString("M104 S0\n")
	path = filepath.Join(t.TempDir(), "clip.gcode")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path, at
}

// memoryFolder is a folder on a file system in memory.
func memoryFolder(t *testing.T) string {
	t.Helper()
	var fs unix.Statfs_t
	if err := unix.Statfs("/dev/shm", &fs); err != nil || fs.Type != unix.TMPFS_MAGIC {
		t.Skip("there is no file system in memory at /dev/shm")
	}
	dir, err := os.MkdirTemp("/dev/shm", "clip")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// mapped maps the line at that offset of a file in memory and touches it, which sets the file's
// times. What is written there later, by alter, sets none: nothing but the line itself tells.
func mapped(t *testing.T, path string, at int64) (alter func()) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	must(t, err)
	defer f.Close()
	page := at &^ int64(os.Getpagesize()-1)
	m, err := unix.Mmap(int(f.Fd()), page, int(at-page)+len(alteredLine), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	must(t, err)
	t.Cleanup(func() { _ = unix.Munmap(m) })
	if copy(m[at-page:], plainLine); len(alteredLine) != len(plainLine) {
		t.Fatal("not the same length")
	}
	before, err := os.Stat(path)
	must(t, err)
	return func() {
		copy(m[at-page:], alteredLine)
		if after, err := os.Stat(path); err != nil || !after.ModTime().Equal(before.ModTime()) {
			t.Errorf("the file's times tell that it was altered: %v", err)
		}
	}
}

// Whatever becomes of the copy from which a lot runs, in the middle of a part: no altered line
// reaches the board, the heaters go off, the part is interrupted and not counted, and somebody is
// called with the reason.
func TestCopyLostInAPart(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		do   func(t *testing.T, copied string, at int64) // nil: through the mapping
		says string
	}{
		"a line altered, nothing else to tell by": {nil, `"M104 S450": the nozzle is to be heated to 450 C, above the ceiling of 260 C; the job file has changed since it was inspected`},
		"altered in place": {func(t *testing.T, copied string, at int64) {
			before, err := os.Stat(copied)
			must(t, err)
			f, err := os.OpenFile(copied, os.O_RDWR, 0)
			must(t, err)
			_, err = f.WriteAt([]byte(alteredLine), at)
			must(t, err)
			must(t, f.Close())
			must(t, os.Chtimes(copied, before.ModTime(), before.ModTime()))
		}, "the job file has changed since it was inspected"},
		"replaced": {func(t *testing.T, copied string, _ int64) {
			must(t, os.WriteFile(copied+"~", []byte("M104 S450\n"), 0o600))
			must(t, os.Rename(copied+"~", copied))
		}, "the job file has changed since it was inspected"},
		"truncated": {func(t *testing.T, copied string, at int64) { must(t, os.Truncate(copied, at)) }, "the job file has changed since it was inspected"},
		"deleted":   {func(t *testing.T, copied string, _ int64) { must(t, os.Remove(copied)) }, "the job file has changed since it was inspected"},
		"made a link": {func(t *testing.T, copied string, _ int64) {
			must(t, os.Remove(copied))
			must(t, os.Symlink("/dev/zero", copied))
		}, "the job file has changed since it was inspected"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			e := &ear{}
			receiver := httptest.NewServer(e)
			t.Cleanup(receiver.Close)
			set := settings(t)
			if c.do == nil {
				set.Ledger.Path = filepath.Join(memoryFolder(t), "ledger.db")
			}
			set.Alerts.Webhooks = []config.Webhook{{URL: receiver.URL, Timeout: patience}}
			s := rig.DefaultSettings()
			s.Belt.Axis, s.Speed = 'Y', 100
			r, err := rig.New(s)
			must(t, err)
			t.Cleanup(func() { r.Close() })
			a := start(t, Options{Config: set, Opener: r.Open})
			d := connect(t, set.Server.Socket)
			path, at := halfWay(t)
			reach(t, d, supervisor.Idle)
			_, err = d.OpenLot(t.Context(), client.LotRequest{Jobs: []string{path}, Good: []int{2}})
			must(t, err)
			copies, err := filepath.Glob(filepath.Join(filepath.Dir(set.Ledger.Path), "lot-jobs", "*.gcode"))
			if err != nil || len(copies) != 1 {
				t.Fatalf("%q, %v", copies, err)
			}
			do := c.do
			if do == nil {
				must(t, stopApp(a))
				alter := mapped(t, copies[0], at)
				do = func(*testing.T, string, int64) { alter() }
				start(t, Options{Config: set, Opener: r.Open})
				d = connect(t, set.Server.Socket)
				reach(t, d, supervisor.Idle)
			}
			_, err = d.Command(t.Context(), client.CommandRequest{Command: supervisor.Start})
			must(t, err)
			until(t, "a part is made", func() bool {
				s, err := d.Status(t.Context())
				return err == nil && strings.HasPrefix(s.Doing, "making part") && r.Figures().LinesExecuted > 300
			})
			do(t, copies[0], at)
			var shot *supervisor.Snapshot
			until(t, "the machine aborts", func() bool {
				shot, err = d.Status(t.Context())
				return err == nil && shot.State == supervisor.Aborted
			})
			if shot.Cause.Code != supervisor.CauseJob || !strings.Contains(shot.Cause.Text, c.says) {
				t.Errorf("%s: %s, want one with %q", shot.Cause.Code, shot.Cause.Text, c.says)
			}
			if nozzle, bed := targets(r); nozzle != 0 || bed != 0 {
				t.Errorf("targets %.0f and %.0f °C", nozzle, bed)
			}
			if l := shot.Lot; l == nil || l.Made != 0 || l.Interrupted != 1 {
				t.Errorf("the count: %+v", l)
			}
			for _, line := range r.Record() {
				if strings.Contains(line.Text, "S450") || line.Number >= 900_000_000 {
					t.Errorf("the board was sent N%d %s", line.Number, line.Text)
				}
			}
			until(t, "somebody is called", func() bool { return strings.Contains(strings.Join(e.reasons(), " "), supervisor.CauseJob) })
		})
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
