package main

import (
	"context"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// badPort is one thing that is wrong with the port or with what is behind it.
type badPort struct {
	name   string
	make   func(t *testing.T, w *workshop)
	status int      // of a greeting
	says   []string // by the greeting, the status and the log
	hint   string   // by the greeting, what to do
	asUser bool
	slow   bool // takes long to judge, so it is only greeted
}

var badPorts = []badPort{
	{"absent", func(*testing.T, *workshop) {}, exitPort, []string{"no such port"}, "hint: Check that the printer is switched on", false, false},
	{"busy", func(t *testing.T, w *workshop) {
		w.simulate(t, rig.DefaultSettings())
		other := newWorkshop(t, "", "")
		text, err := os.ReadFile(other.config)
		if err != nil {
			t.Fatal(err)
		}
		other.put(t, "machine.yaml", strings.Replace(string(text), other.port, w.port, 1))
		other.serve(t, "beltwarden").reach(t, supervisor.Idle)
	}, exitPort, []string{"port is in use", "held by process"}, "hint: Another program has the port", false, false},
	{"not a port", func(t *testing.T, w *workshop) { w.put(t, "m", "a file\n") },
		exitPort, []string{"not a serial port"}, "hint: Give the path of a serial port", false, false},
	{"not permitted", func(t *testing.T, w *workshop) {
		w.simulate(t, rig.DefaultSettings())
		if err := os.Chmod(w.port, 0); err != nil { // follows the link
			t.Fatal(err)
		}
	}, exitPort, []string{"no permission"}, "dialout: usermod -aG dialout USER", true, false},
	{"a board that never answers", func(t *testing.T, w *workshop) { w.stranger(t, "") },
		exitBoard, []string{"board does not answer", "nothing heard for 5s"}, "hint: check the board's power supply and cable", false, false},
	{"a stranger behind the port", func(t *testing.T, w *workshop) { w.stranger(t, "\x00\xf8\x80login\xff\xfe\r\n") },
		exitBoard, []string{"what it sends makes no sense", "login"}, "check the baud rate", false, false},
	{"a stranger that speaks plain text", func(t *testing.T, w *workshop) { w.stranger(t, "greenhouse 3: 21.5 C, 64 %\r\n") },
		exitBoard, []string{"greenhouse 3: 21.5 C", "makes no sense"}, "check the baud rate", false, true},
}

// TestBadPort greets what is behind a bad port, which ends with a status of its
// own, and then serves it, which does not end but says the same as its status and
// in its log, until it gets the signal to end.
func TestBadPort(t *testing.T) {
	t.Parallel() // it waits most of the time
	for _, c := range badPorts {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			w := newWorkshop(t, "  silence_limit_s: 5\n  reply_limit_s: 1\n", "")
			c.make(t, w)
			run := func(args ...string) *exec.Cmd {
				cmd := exec.Command("beltwarden", args...)
				if c.asUser {
					return w.asNobody(t, cmd)
				}
				return cmd
			}
			command(t, run("config", "check", w.config, "--connect")).expect(t, c.status, append(c.says, w.port, c.hint))

			if c.slow {
				return
			}
			d := w.start(t, run("serve", "--config", w.config))
			var shown outcome
			eventually(t, "status says what is wrong", func() bool {
				if d.gone() {
					t.Fatalf("the daemon has ended by itself: %v\n%s", d.err, w.tail())
				}
				shown = command(t, run("status", "--daemon", w.socket, "--json"))
				return shown.status == exitOK && strings.Contains(shown.stdout, c.says[0])
			})
			d.stop(t)
			log, err := os.ReadFile(w.log)
			if err != nil {
				t.Fatal(err)
			}
			for _, part := range c.says {
				if !strings.Contains(string(log), part) {
					t.Errorf("the log does not say %q but\n%s", part, log)
				}
			}
			if !strings.Contains(shown.stdout, `"state": "Resetting"`) {
				t.Errorf("status says\n%s", shown.stdout)
			}
			if o := command(t, run("ledger", "check", w.ledger)); o.status != exitOK {
				t.Errorf("the ledger is not whole: %s", o.stderr)
			}
		})
	}
}

// stranger puts something at the port that is no board: it takes every byte, and
// says its line five times a second if it has one.
func (w *workshop) stranger(t *testing.T, line string) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(slave.Name(), w.port); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	taken, said := make(chan struct{}), make(chan struct{})
	go func() { defer close(taken); _, _ = io.Copy(io.Discard, master) }()
	go func() {
		defer close(said)
		for tick := time.NewTicker(200 * time.Millisecond); line != ""; {
			select {
			case <-tick.C:
				_, _ = master.WriteString(line)
			case <-ctx.Done():
				tick.Stop()
				return
			}
		}
	}()
	t.Cleanup(func() {
		cancel()
		<-said
		_ = slave.Close()
		_ = master.Close()
		<-taken
	})
}
