package main

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"golang.org/x/sys/unix"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"beltwarden": mortal(main), "beltwarden-struck": mortal(serveStruck), "beltwarden-parent": parent})
}

// mortal makes this test binary, where it plays a command, end with the process that started it: a run of tests that
// is killed leaves no daemon and no simulated machine behind.
func mortal(command func()) func() {
	return func() {
		if err := unix.Prctl(unix.PR_SET_PDEATHSIG, uintptr(unix.SIGKILL), 0, 0, 0); err != nil {
			panic(err)
		}
		command()
	}
}

// withParent has the kernel end a program that is not this test binary as mortal does.
func withParent(cmd *exec.Cmd) *exec.Cmd {
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	cmd.SysProcAttr.Pdeathsig = syscall.SIGKILL
	return cmd
}

// parent starts a simulated machine, prints the process's number, and is killed.
func parent() {
	rig := exec.Command("beltwarden", "rig", "--pty", os.Args[1])
	if err := rig.Start(); err != nil {
		panic(err)
	}
	for _, err := os.Lstat(os.Args[1]); err != nil; _, err = os.Lstat(os.Args[1]) {
		time.Sleep(10 * time.Millisecond)
	}
	fmt.Println(rig.Process.Pid)
	_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
}

func TestChildrenEndWithTheirParent(t *testing.T) {
	t.Parallel()
	out, err := exec.Command("beltwarden-parent", filepath.Join(t.TempDir(), "m")).Output()
	var pid int
	if _, serr := fmt.Sscan(string(out), &pid); serr != nil {
		t.Fatalf("%q, %v, %v", out, serr, err)
	}
	eventually(t, "the machine has ended", func() bool {
		// One that nobody has waited for is a zombie, whose state follows its name in brackets (proc_pid_stat(5)).
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		return err != nil || bytes.Contains(stat, []byte(") Z "))
	})
}

// withoutRace skips a test under the race detector, which sees nothing of a process that is killed or was built
// without it, and where short tests are asked for. The check plays all tests without it, too.
func withoutRace(t *testing.T) {
	t.Helper()
	if underRace || testing.Short() {
		t.Skip("played without the race detector: .ci/plain")
	}
}

// TestScripts runs testdata/scripts: the command line as a person or a script
// meets it, in processes of its own.
func TestScripts(t *testing.T) {
	root, err := filepath.Abs("..")
	if err != nil {
		t.Fatal(err)
	}
	scripts, err := filepath.Glob(filepath.Join(root, "testdata", "scripts", "*.txtar"))
	if err != nil || len(scripts) < 20 {
		t.Fatalf("%d scripts, %v", len(scripts), err)
	}
	if underRace { // each takes ten times as long: some of them each time, and all in .ci/plain
		rand.Shuffle(len(scripts), func(i, k int) { scripts[i], scripts[k] = scripts[k], scripts[i] })
		scripts = scripts[:6]
	}
	testscript.Run(t, testscript.Params{
		Files: scripts,
		Setup: func(env *testscript.Env) error {
			env.Setenv("TESTDATA", filepath.Join(root, "testdata"))
			env.Setenv("BELTWARDEN_DAEMON", filepath.Join(env.WorkDir, "s"))
			env.Setenv("TMPDIR", env.WorkDir)
			env.Setenv("LISTEN", freeAddress())
			return nil
		},
		Condition: func(cond string) (bool, error) {
			if cond == "root" {
				return os.Geteuid() == 0, nil
			}
			return false, errors.New("unknown condition")
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits": exits, "until": until, "longline": longline, "subst": subst, "appears": appears, "poke": poke, "taker": taker,
		},
	})
}

// exits runs a command and compares its exit status: exits STATUS COMMAND ARGS...
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits status command args...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	var failed *exec.ExitError
	if err := ts.Exec(args[1], args[2:]...); errors.As(err, &failed) {
		got = failed.ExitCode()
	} else if err != nil {
		ts.Fatalf("cannot run %s: %v", args[1], err)
	}
	if got != want {
		ts.Fatalf("%s ended with status %d, not %d", strings.Join(args[1:], " "), got, want)
	}
}

// patience bounds waits that only a hang makes long: generous, since the computer may be slow and busy.
const patience = 5 * time.Minute

// until repeats a command until its output matches: until PATTERN COMMAND ARGS...
func until(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: until pattern command args...")
	}
	pattern := regexp.MustCompile("(?m)" + args[0])
	for end := time.Now().Add(patience); ; {
		_ = ts.Exec(args[1], args[2:]...) // what it says decides
		if pattern.MatchString(ts.ReadFile("stdout")) || pattern.MatchString(ts.ReadFile("stderr")) {
			return
		}
		if time.Now().After(end) {
			ts.Fatalf("%s never said %q; lastly it said:\n%s%s", strings.Join(args[1:], " "), args[0], ts.ReadFile("stdout"), ts.ReadFile("stderr"))
		}
		time.Sleep(250 * time.Millisecond) // another process is waited for, and to ask takes a third
	}
}

// appears waits for a file, or for its end: [!] appears PATTERN.
func appears(ts *testscript.TestScript, neg bool, args []string) {
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		found, err := filepath.Glob(ts.MkAbs(args[0]))
		ts.Check(err)
		if (len(found) > 0) != neg {
			return
		}
		if time.Now().After(end) {
			ts.Fatalf("waited in vain for %s", args[0])
		}
	}
}

// longline writes a job whose second line has so many megabytes: longline FILE MB.
func longline(ts *testscript.TestScript, neg bool, args []string) {
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	f, err := os.Create(ts.MkAbs(args[0]))
	ts.Check(err)
	_, err = f.WriteString("G21\n")
	ts.Check(err)
	block := bytes.Repeat([]byte("X"), 1<<20)
	for range n {
		_, err = f.Write(block)
		ts.Check(err)
	}
	ts.Check(f.Close())
}

// subst replaces $NAME in a file by the environment's values, and \r and \0 by
// those characters: subst FILE.
func subst(ts *testscript.TestScript, neg bool, args []string) {
	text := os.Expand(ts.ReadFile(args[0]), ts.Getenv)
	text = strings.NewReplacer(`\r`, "\r", `\0`, "\x00").Replace(text)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(text), 0o644))
}

// taker listens for alerts at $RECEIVER until the script ends, and takes all.
func taker(ts *testscript.TestScript, neg bool, args []string) {
	s := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	ts.Defer(s.Close)
	ts.Setenv("RECEIVER", s.URL)
}

// poke overwrites bytes of a file: poke FILE OFFSET HEX, the offset in bytes.
func poke(ts *testscript.TestScript, neg bool, args []string) {
	offset, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	data, err := hex.DecodeString(args[2])
	ts.Check(err)
	f, err := os.OpenFile(ts.MkAbs(args[0]), os.O_WRONLY, 0)
	ts.Check(err)
	_, err = f.WriteAt(data, offset)
	ts.Check(err)
	ts.Check(f.Close())
}
