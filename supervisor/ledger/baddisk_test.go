package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"beltwarden/supervisor/internal/baddisk"
)

// duty is work that a ledger does while its disk fails.
type duty struct {
	name string
	// ready prepares what the work needs, on a sound disk.
	ready func(s *scene)
	// do is the work. The disk fails under it.
	do func(s *scene) error
	// after looks at what is there, on a sound disk again.
	after func(s *scene, err error)
}

// scene is one run of a duty with one fault. Complaints carry the fault with them.
type scene struct {
	dir, path string
	fault     baddisk.Fault
	struck    bool // the fault has been met
	l         *Ledger
	acked     int // commits of course that were acknowledged
	tried     int // commits of course that were attempted
	complain  func(format string, args ...any)
}

// sentinelOf is what a failure of a kind must be reported as.
func sentinelOf(k baddisk.Kind) error {
	if k == baddisk.NoSpace {
		return ErrFull
	}
	return ErrDisk
}

// remedies are the words that say what to do. One of them must be in every error that a disk causes.
var remedies = regexp.MustCompile(`make room on the disk|check its permissions and how the disk is mounted|give the daemon's user the right to|` +
	`look at the system log and replace the disk or card if it is failing|restart to read again what is on the disk`)

// play runs a duty with a fault and returns what the fault met.
func play(t *testing.T, dir string, d duty, f baddisk.Fault) (r baddisk.Report, failures int) {
	t.Helper()
	s := &scene{dir: dir, path: filepath.Join(dir, "ledger.db"), fault: f}
	s.fault.In = dir
	s.complain = func(format string, args ...any) {
		failures++
		t.Errorf("BELTWARDEN_FAULT='%s/%s/%d/%v': %s: %s", d.name, f.Kind, f.At, f.Lasting, r.First, fmt.Sprintf(format, args...))
	}
	before := openFiles(t)
	if d.ready != nil {
		d.ready(s)
	}
	var err error
	r, uerr := baddisk.Under(s.fault, func() { err = d.do(s) })
	if uerr != nil {
		t.Fatal(uerr)
	}
	s.struck = r.Struck > 0
	switch {
	case err != nil && !s.struck:
		s.complain("without a fault: %v", err)
	case err != nil && !errors.Is(err, sentinelOf(f.Kind)) && !(roomAgain(f, r) && errors.Is(err, ErrDisk)):
		s.complain("reported as another kind of failure: %v", err)
	case err != nil && !remedies.MatchString(err.Error()):
		s.complain("does not say what to do: %v", err)
	}
	if s.l != nil {
		_ = s.l.Close()
	}
	d.after(s, err)
	if now := openFiles(t); now > before {
		s.complain("%d files are still open", now-before)
	}
	return r, failures
}

// quickest is a place in memory, where syncs cost nothing; that they fail is not the medium's doing here.
func quickest() string {
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		return "/dev/shm"
	}
	return ""
}

// roomAgain: SQLite does not say why it could not lengthen the log's index, and there is room when it is looked for.
func roomAgain(f baddisk.Fault, r baddisk.Report) bool {
	return f.Kind == baddisk.NoSpace && !f.Lasting && strings.HasSuffix(r.First, "-shm")
}

func openFiles(t *testing.T) int {
	t.Helper()
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(list)
}

// reopened opens the ledger on a sound disk; it must be whole.
func (s *scene) reopened(path string, look func(l *Ledger)) {
	l, err := Open(path, Options{})
	if err != nil {
		s.complain("afterwards on a sound disk: %v", err)
		return
	}
	problems, err := l.Check(context.Background())
	if err != nil || len(problems) > 0 {
		s.complain("ledger check afterwards: %v %q", err, problems)
	}
	look(l)
	if err := l.Close(); err != nil {
		s.complain("closing afterwards: %v", err)
	}
}

// campaign plays every duty with every kind of fault at every operation until the work gets through without meeting it,
// once passing and once lasting. In short it steps over most operations, and each fault is one or the other.
func campaign(t *testing.T, duties []duty, all bool) {
	t.Helper()
	if _, err := baddisk.Under(baddisk.Fault{}, func() {}); err != nil {
		t.Skipf("no disk can be made to fail here: %v", err)
	}
	syncDataOnly()
	total, failed := 0, 0
	for i, d := range duties {
		var line []string
		for _, k := range baddisk.Kinds() {
			if (underRace || testing.Short()) && !all && (i+int(k))/2%2 == 0 {
				continue // half of the pairs, each kind and each duty among them
			}
			cases, operations := 0, 0
			for _, lasting := range []bool{false, true} {
				if !all && lasting != ((i+int(k))%2 == 0) {
					continue
				}
				for n := 1; ; {
					// Not t.TempDir: its directories would stay until the end.
					dir, err := os.MkdirTemp(quickest(), "ledger")
					if err != nil {
						t.Fatal(err)
					}
					r, failures := play(t, dir, d, baddisk.Fault{Kind: k, At: n, Lasting: lasting})
					if err := os.RemoveAll(dir); err != nil {
						t.Fatal(err)
					}
					operations = max(operations, r.Met)
					failed += min(failures, 1)
					if r.Struck == 0 {
						break
					}
					cases++
					if n++; !all {
						n += 3 * n
					}
				}
			}
			total += cases
			line = append(line, fmt.Sprintf("%s %d of %d", k, cases, operations))
		}
		t.Logf("%-12s %s", d.name+":", strings.Join(line, ", "))
	}
	t.Logf("disk faults: %d cases, failures: %d (for each kind: cases, and operations that the work has)", total, failed)
}

// TestDiskFaults lets the disk fail under everything that a ledger does: after each failure nothing acknowledged is lost,
// what was under way is there whole or not at all, the error is of the right kind and says what to do, and the ledger
// passes its own check.
func TestDiskFaults(t *testing.T) {
	if one := os.Getenv("BELTWARDEN_FAULT"); one != "" {
		playOne(t, one)
		return
	}
	list := duties(t)
	all := os.Getenv("BELTWARDEN_FAULTS") == "all"
	if !all { // the upgrades are much alike
		list = slices.DeleteFunc(list, func(d duty) bool { return strings.HasPrefix(d.name, "upgrade") && d.name != "upgrade 1" })
	}
	campaign(t, list, all)
}

// playOne repeats a case by the name that its failure printed.
func playOne(t *testing.T, name string) {
	t.Helper()
	part := strings.Split(name, "/")
	if len(part) != 4 {
		t.Fatalf("%q is not duty/kind/operation/lasting", name)
	}
	var n int
	if _, err := fmt.Sscan(part[2], &n); err != nil {
		t.Fatal(err)
	}
	list := duties(t)
	at := slices.IndexFunc(list, func(d duty) bool { return d.name == part[0] })
	kind := slices.IndexFunc(baddisk.Kinds(), func(k baddisk.Kind) bool { return k.String() == part[1] })
	if at < 0 || kind < 0 {
		t.Fatalf("there is no duty %q or no kind %q", part[0], part[1])
	}
	r, _ := play(t, t.TempDir(), list[at], baddisk.Fault{Kind: baddisk.Kind(kind), At: n, Lasting: part[3] == "true"})
	t.Logf("%+v", r)
}
