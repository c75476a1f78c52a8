package main

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/rivo/uniseg"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
)

// answers serves fixed JSON by path on a socket, as a daemon would, and returns its address.
func answers(t *testing.T, by map[string]any) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "bw") // a socket's path is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	l, err := net.Listen("unix", filepath.Join(dir, "s"))
	if err != nil {
		t.Fatal(err)
	}
	s := &http.Server{ReadHeaderTimeout: time.Minute, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v, ok := by[strings.TrimPrefix(r.URL.Path, "/api/v1/")]
		if p, refused := v.(*client.Problem); refused {
			client.Refuse(w, p.Status, p.Detail, p.Remedy)
			return
		}
		if !ok {
			client.Refuse(w, http.StatusNotFound, "there is nothing at "+r.URL.Path, "")
			return
		}
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(v)
	})}
	go func() { _ = s.Serve(l) }()
	t.Cleanup(func() { _ = s.Close() })
	return l.Addr().String()
}

// onTerminal runs a command at a pseudo-terminal of that size, and returns what it wrote there and its status.
func onTerminal(t *testing.T, columns, rows uint16, args ...string) (string, int) {
	t.Helper()
	host, tty, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminal on this computer: %v", err)
	}
	defer host.Close()
	if err := pty.Setsize(tty, &pty.Winsize{Cols: columns, Rows: rows}); err != nil {
		t.Fatal(err)
	}
	read := make(chan string)
	go func() {
		var all []byte
		part := make([]byte, 4096)
		for {
			n, err := host.Read(part)
			all = append(all, part[:n]...)
			if err != nil { // EIO, once the other side is closed
				read <- strings.ReplaceAll(string(all), "\r\n", "\n")
				return
			}
		}
	}()
	before, beforeErr := os.Stdout, os.Stderr
	os.Stdout, os.Stderr = tty, tty
	status := execute(args)
	os.Stdout, os.Stderr = before, beforeErr
	_ = tty.Close()
	return <-read, status
}

// plainTerminal sets an environment in which a terminal has its usual colours.
func plainTerminal(t *testing.T) {
	for _, name := range []string{"NO_COLOR", "CLICOLOR", "CLICOLOR_FORCE", "FORCE_COLOR"} {
		t.Setenv(name, "")
	}
	t.Setenv("TERM", "xterm")
}

// workshopRun is a run with names as they come from a workshop abroad.
func workshopRun(state supervisor.State) *supervisor.Snapshot {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.Local)
	mm := 1.25
	return &supervisor.Snapshot{At: now, Machine: "洗濯ばさみ機 \x1b[2J🪴", State: state, Since: now.Add(-5 * time.Minute),
		Cause: supervisor.Cause{Code: supervisor.CauseCheckParts, Text: "8 parts since the last check; one is due every 8"},
		Lot: &supervisor.LotView{ID: 7, Name: strings.Repeat("植木鉢の札 🌱 ", 12), Status: "open", Ordered: 12345, Made: 10008, Good: 9000, Scrap: 1000, Unverified: 8,
			Wanted: 3345, Jobs: []supervisor.JobView{{Name: "stake-clip"}, {Name: "drip-line peg"}}},
		Belt: supervisor.BeltView{OffsetMM: &mm, OffsetLimitMM: 3}, Line: supervisor.LineView{Port: "/dev/serial/by-id/usb-board", Connected: true},
		Heat:   supervisor.HeatView{HasNozzle: true, HasBed: true, NozzleC: 204.6, NozzleTargetC: 205, BedC: 41, Read: now},
		Advice: "read the lateral offset; record the visit; let it go on: beltwarden check --offset-mm MM --good N, then beltwarden unhold",
		Steps:  []string{"beltwarden check --offset-mm MM --good N", "beltwarden unhold"},
		Next:   &supervisor.NextVisit{Reason: supervisor.CauseCheckParts, Text: "one is due every 8", Parts: 8, At: now.Add(time.Hour), Bring: []string{"caliper"}},
	}
}

var decorated = regexp.MustCompile("\x1b\\[[0-9;]*m")

// TestStatusAtATerminal: in every state the status and the prompt after it fit 24 lines of 80 columns, with the
// headline on the first and the command to give on the last; nothing but bold and colour is sent.
func TestStatusAtATerminal(t *testing.T) {
	plainTerminal(t)
	for _, state := range supervisor.States() {
		s := workshopRun(state)
		socket := answers(t, map[string]any{"status": s})
		for _, size := range []struct{ columns, rows uint16 }{{80, 24}, {40, 24}, {120, 40}} {
			text, status := onTerminal(t, size.columns, size.rows, "status", "--daemon", socket)
			what := fmt.Sprintf("%s, %dx%d", state, size.columns, size.rows)
			words := decorated.ReplaceAllString(text, "")
			lines := strings.Split(strings.TrimSuffix(words, "\n"), "\n")
			if status != exitOK || len(lines)+1 > int(size.rows)-1 {
				t.Errorf("%s: status %d, %d lines:\n%s", what, status, len(lines), words)
			}
			for _, l := range lines {
				if n := uniseg.StringWidth(l); n > int(size.columns) || strings.ContainsAny(l, "\x1b\r") {
					t.Errorf("%s: a line of %d columns: %q", what, n, l)
				}
			}
			if verb := wording.HeadlineOf(s).Verb; !strings.HasPrefix(lines[0], verb) || !strings.HasPrefix(text, "\x1b[") {
				t.Errorf("%s: it begins with %q, want %q in its colour", what, strings.SplitN(text, "\n", 2)[0], verb)
			}
			_, steps := wording.DoNow(s)
			if want := "  " + steps[len(steps)-1]; lines[len(lines)-1] != want {
				t.Errorf("%s: it ends with %q, want %q", what, lines[len(lines)-1], want)
			}
		}
	}
}

// TestColourAsAsked by flag and environment, at a terminal and in a pipe.
func TestColourAsAsked(t *testing.T) {
	socket := answers(t, map[string]any{"status": workshopRun(supervisor.Held)})
	for _, c := range []struct {
		name, value, flag string
		terminal, piped   bool
	}{
		{"TERM", "xterm", "auto", true, false},
		{"TERM", "dumb", "auto", false, false},
		{"NO_COLOR", "1", "auto", false, false},
		{"CLICOLOR", "0", "auto", false, false},
		{"CLICOLOR_FORCE", "1", "auto", true, true},
		{"FORCE_COLOR", "1", "auto", true, true},
		{"FORCE_COLOR", "0", "auto", true, false},
		{"NO_COLOR", "1", "always", true, true},
		{"FORCE_COLOR", "1", "never", false, false},
	} {
		t.Run(c.name+"="+c.value+" "+c.flag, func(t *testing.T) {
			plainTerminal(t)
			t.Setenv(c.name, c.value)
			args := []string{"status", "--color", c.flag, "--daemon", socket}
			text, _ := onTerminal(t, 80, 24, args...)
			piped := printed(t, func() { execute(args) })
			if decorated.MatchString(text) != c.terminal || decorated.MatchString(piped) != c.piped {
				t.Errorf("terminal %q, pipe %q", text, piped)
			}
			if strings.Contains(piped, "…") {
				t.Errorf("a pipe gets a shortened text: %s", piped)
			}
		})
	}
	if text, status := onTerminal(t, 80, 24, "status", "--color", "blue"); status != exitUsage || !strings.Contains(text, "auto, always or never") {
		t.Errorf("%d %q", status, text)
	}
}

// TestAnswersAtATerminal: an answer says what comes next, an error ends with commands that can be copied.
func TestAnswersAtATerminal(t *testing.T) {
	plainTerminal(t)
	t.Setenv("NO_COLOR", "1")
	s := workshopRun(supervisor.Held)
	socket := answers(t, map[string]any{"status": s, "checks": supervisor.Result{State: supervisor.Held, Text: "check 3 recorded"},
		"commands": &client.Problem{Status: 409, Detail: "cannot start: the machine is Held (8 parts since the last check; one is due every 8)",
			Remedy: "read the lateral offset; record the visit; let it go on: beltwarden check --offset-mm MM --good N, then beltwarden unhold"}})
	s.Steps = []string{"beltwarden unhold"}
	if text, status := onTerminal(t, 80, 24, "check", "--good", "8", "--daemon", socket); status != exitOK || text != "check 3 recorded\nnext: beltwarden unhold\n" {
		t.Errorf("%d %q", status, text)
	}
	want := "error: cannot start: the machine is Held (8 parts since the last check; one is\n       due every 8)\n" +
		"hint: read the lateral offset; record the visit; let it go on:\n  beltwarden check --offset-mm MM --good N\n  beltwarden unhold\n"
	if text, status := onTerminal(t, 80, 24, "start", "--daemon", socket); status != exitRefused || text != want {
		t.Errorf("%d %q", status, text)
	}
}

// TestStartAfterAStopResets: start where a reset has to come first does both, and nowhere else.
func TestStartAfterAStopResets(t *testing.T) {
	for _, state := range []supervisor.State{supervisor.Stopped, supervisor.Complete, supervisor.Aborted, supervisor.Held} {
		s := workshopRun(state)
		var asked []string
		dir := t.TempDir()
		l, err := net.Listen("unix", filepath.Join(dir, "s"))
		if err != nil {
			t.Fatal(err)
		}
		server := &http.Server{ReadHeaderTimeout: time.Minute, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if strings.HasSuffix(r.URL.Path, "/status") {
				_ = json.NewEncoder(w).Encode(s)
				return
			}
			var q client.CommandRequest
			_ = json.NewDecoder(r.Body).Decode(&q)
			asked = append(asked, fmt.Sprintf("%s %v", q.Command, q.GoOn))
			if q.Command == supervisor.Start {
				client.Refuse(w, http.StatusConflict, "cannot start: the machine is "+state.String(), "")
				return
			}
			_ = json.NewEncoder(w).Encode(supervisor.Result{State: supervisor.Resetting, Text: "reset: the board is asked"})
		})}
		go func() { _ = server.Serve(l) }()
		status := 0
		printed(t, func() { status = execute([]string{"start", "--daemon", l.Addr().String()}) })
		_ = server.Close()
		want, wantStatus := "Start false", exitRefused
		if state == supervisor.Stopped || state == supervisor.Complete {
			want, wantStatus = "Start false, Reset true", exitOK
		}
		if got := strings.Join(asked, ", "); got != want || status != wantStatus {
			t.Errorf("%s: asked %q with status %d, want %q", state, got, status, want)
		}
	}
}

// TestReportAsksForAFile at a terminal; a pipe and the other formats are served.
func TestReportAsksForAFile(t *testing.T) {
	plainTerminal(t)
	socket := answers(t, map[string]any{"lots/3/report": map[string]int{"id": 3}})
	text, status := onTerminal(t, 80, 24, "lot", "report", "3", "--daemon", socket)
	if status != exitUsage || !strings.Contains(text, "\n  beltwarden lot report 3 --out lot-3.html\n") {
		t.Errorf("%d %q", status, text)
	}
	if text, status := onTerminal(t, 80, 24, "lot", "report", "3", "--format", "json", "--daemon", socket); status != exitOK || !strings.Contains(text, `"id": 3`) {
		t.Errorf("%d %q", status, text)
	}
	if text := printed(t, func() { status = execute([]string{"lot", "report", "3", "--daemon", socket}) }); status != exitOK || !strings.Contains(text, `"id":3`) {
		t.Errorf("%d %q", status, text)
	}
}

// TestCompletion offers what the daemon knows, nothing a shell would obey, and nothing at all without a daemon.
func TestCompletion(t *testing.T) {
	s := workshopRun(supervisor.Execute)
	s.Care = []supervisor.CareView{{Name: "oil"}, {Name: "wipe the belt"}}
	lots := []client.LotSummary{{ID: 8, Name: "evil\tname\n9\x1b[2J", Status: "open", Ordered: 3}, {ID: 7, Name: "clips", Status: "closed", Good: 40, Ordered: 40}}
	detail := client.LotDetail{LotSummary: lots[0], ScrapByReason: map[string]int{"warped": 2, "$(reboot)": 1}, Checks: []client.Check{{ID: 4, Good: 5}, {ID: 5, CorrectedBy: 6}}}
	socket := answers(t, map[string]any{"status": s, "lots": lots, "lots/7": detail, "jobs": []client.Job{{Name: "stake-clip.gcode"}},
		"alerts": []client.Receiver{{Name: "phone", Configured: true, Kind: "webhook"}, {Name: "old"}}})
	complete := func(args ...string) string {
		return printed(t, func() { execute(append([]string{cobraComplete}, args...)) })
	}
	for _, c := range []struct {
		args []string
		want []string
		not  string
	}{
		{[]string{"lot", "show", ""}, []string{"8\tevil name 9 [2J, open, 0 of 3 good\n7\tclips, closed, 40 of 40 good\n"}, ""},
		{[]string{"lot", "end", ""}, []string{"8\t"}, "7\t"},
		{[]string{"lot", "start", ""}, []string{"stake-clip.gcode\tuploaded\n"}, "lot:"},
		{[]string{"lot", "start", "lot:"}, []string{"lot:8\t", "lot:7\t"}, "stake"},
		{[]string{"lot", "report", "7", "--format", ""}, []string{"html\ncsv\njson\n"}, ""},
		{[]string{"check", "--interrupted", ""}, []string{"good\nscrap\n"}, ""},
		{[]string{"check", "--job", ""}, []string{"1\tstake-clip", "2\tdrip-line peg"}, ""},
		{[]string{"check", "--did", ""}, []string{"oil\n"}, "wipe"},
		{[]string{"check", "--scrap", ""}, []string{"warped=\t2 so far\n"}, "reboot"},
		{[]string{"check", "--corrects", ""}, []string{"4\t"}, "5\t"},
		{[]string{"alert", "test", ""}, []string{"phone\twebhook\n"}, "old"},
		{[]string{"status", ""}, []string{":4\n"}, "\t"},
		{[]string{"--color", ""}, []string{"auto\nalways\nnever\n"}, ""},
	} {
		text := complete(append([]string{"--daemon", socket}, c.args...)...)
		for _, want := range c.want {
			if !strings.Contains(text, want) {
				t.Errorf("%q: no %q in %q", c.args, want, text)
			}
		}
		if c.not != "" && strings.Contains(text, c.not) {
			t.Errorf("%q offers %q: %q", c.args, c.not, text)
		}
		harmlessText(t, strings.Join(c.args, " "), text)
	}
	away := complete("--daemon", filepath.Join(t.TempDir(), "away"), "lot", "show", "")
	if first, _, _ := strings.Cut(away, "\n"); first != ":36" || strings.Contains(away, "error") {
		t.Errorf("without a daemon it says %q", away)
	}
}

// cobraComplete is the command that the scripts of shells call.
const cobraComplete = "__complete"
