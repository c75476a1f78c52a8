package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/daemon/wording"
	"beltwarden/serialio"
	"beltwarden/serialio/rig"
)

// hostile sets the title of a terminal, erases its screen by 7-bit and 8-bit controls, turns the text around, and begins
// a line of its own.
const hostile = "a\x1b]0;x\x07b\x1b[2J\u009b2Jc\u202ed\u2067e\x7ff\rg\nh"

// firmware follows the first word of the board's name.
const firmware = "\x1b[2J\u009b2J\u202e\x7f"

// printed returns what is written to the standard outputs while do runs.
func printed(t *testing.T, do func()) string {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "printed"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	defer func(out, errs *os.File) { os.Stdout, os.Stderr = out, errs }(os.Stdout, os.Stderr)
	os.Stdout, os.Stderr = f, f
	do()
	text, err := os.ReadFile(f.Name())
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func harmlessText(t *testing.T, what, text string) {
	t.Helper()
	for _, r := range strings.ReplaceAll(text, "\r\n", "\n") {
		if r != '\n' && r != '\t' && unicode.In(r, unicode.Cc, unicode.Bidi_Control) {
			t.Errorf("%s: %U is printed: %q", what, r, text)
			return
		}
	}
}

// misnamed opens a board whose firmware's name is hostile.
func misnamed(open serialio.Opener) serialio.Opener {
	return func(ctx context.Context, s serialio.Settings) (serialio.Port, error) {
		p, err := open(ctx, s)
		return &misnamedPort{Port: p}, err
	}
}

type misnamedPort struct {
	serialio.Port
	rest []byte
}

func (m *misnamedPort) Read(p []byte) (int, error) {
	for len(m.rest) == 0 {
		part := make([]byte, 4096)
		n, err := m.Port.Read(part)
		if n == 0 || err != nil {
			return 0, err
		}
		m.rest = bytes.ReplaceAll(part[:n], []byte("rig controller"), []byte("rig"+firmware))
	}
	n := copy(p, m.rest)
	m.rest = m.rest[n:]
	return n, nil
}

// TestHostileNamesReachNoTerminal gives every name that a person, a file or the configuration can give to the real daemon
// with the simulated machine, and reads all that the commands and the log then say.
func TestHostileNamesReachNoTerminal(t *testing.T) {
	dir := filepath.Join(t.TempDir(), hostile)
	clip, err := os.ReadFile("../testdata/jobs/stake-clip.gcode")
	if err := errors.Join(err, os.Mkdir(dir, 0o755), os.WriteFile(filepath.Join(dir, hostile+".gcode"), clip, 0o600)); err != nil {
		t.Fatal(err)
	}
	job := filepath.Join(dir, hostile+".gcode")
	short, err := os.MkdirTemp("", "bw")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(short)
	c, err := config.Parse("example.yaml", config.Example())
	if err != nil {
		t.Fatal(err)
	}
	c.Ledger.Path, c.Ledger.BackupFolder = filepath.Join(dir, "ledger.db"), filepath.Join(dir, "backups")
	c.Server.Socket, c.Server.Listen, c.Server.JobsFolder = filepath.Join(short, "s"), "127.0.0.1:0", filepath.Join(dir, "jobs")
	c.Machine.ResetWait, c.Belt.WorstDriftMMPerM = time.Second, 0.01
	c.Log = config.Log{Level: "debug", Format: "console"}
	c.Alerts.Webhooks = []config.Webhook{{Receiver: config.Receiver{Name: hostile}, URL: "http://127.0.0.1:9/", Timeout: time.Second}}
	set := rig.DefaultSettings()
	set.Belt.Axis, set.Belt.LoopLengthMM, set.Speed = 'Y', 2400, 0
	machine, err := rig.New(set)
	if err != nil {
		t.Fatal(err)
	}
	defer machine.Close()
	backup := filepath.Join(dir, "b.db")
	log := printed(t, func() {
		a, err := app.New(t.Context(), app.Options{Config: c, Opener: misnamed(machine.Open)})
		if err == nil {
			err = a.Start(t.Context())
		}
		if err != nil {
			t.Error(err)
			return
		}
		harmlessText(t, "reset", printed(t, func() { execute([]string{"reset", "--by", hostile, "--daemon", c.Server.Socket}) }))
		for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
			s := printed(t, func() { execute([]string{"status", "--json", "--daemon", c.Server.Socket}) })
			if strings.Contains(s, `"state": "Idle"`) {
				break
			}
			if time.Now().After(end) {
				t.Errorf("the machine is never Idle: %s", s)
				break
			}
		}
		for _, args := range [][]string{
			{"status"}, {"inspect", job}, {"inspect", job, "--json"}, {"inspect", dir},
			{"lot", "start", job, "--good", "2", "--open-only", "--name", hostile, "--by", hostile},
			{"lot", "start", job, "--good", "2", "--open-only", "--by", hostile}, {"lot", "start", job, "--good", "2", "--open-only"},
			{"check", "--note", hostile, "--by", hostile}, {"check", "--scrap", hostile + "=1"},
			{"hold", "--by", hostile}, {"alert", "acknowledge", "--by", hostile}, {"alert", "acknowledge"},
			{"alert", "list"}, {"alert", "list", "--json"}, {"alert", "test"}, {"alert", "test", hostile},
			{"status"}, {"status", "--json"}, {"lot", "list"}, {"lot", "list", "--json"}, {"lot", "show", "1"}, {"lot", "show", "1", "--json"},
			{"lot", "report", "1"}, {"lot", "report", "1", "--format", "csv"}, {"lot", "report", "1", "--format", "json"},
			{"lot", "report", "1", "--ledger", c.Ledger.Path, "--format", "json"}, {"lot", "report", "1", "--out", dir},
			{"ledger", "check", c.Ledger.Path}, {"ledger", "export", c.Ledger.Path}, {"ledger", "backup", c.Ledger.Path, backup},
			{"ledger", "restore", filepath.Join(dir, "new.db"), backup}, {"ledger", "check", job},
			{"config", "check", job}, {"serve", "--config", job}, {hostile}, {"lot", hostile}, {"--" + hostile},
			{"status", "--daemon", filepath.Join(dir, "no")}, {"trial", "begin", "--before-mm", "0", "--yes", "--by", hostile},
		} {
			if !slices.Contains(args, "--daemon") {
				args = append(slices.Clone(args), "--daemon", c.Server.Socket)
			}
			text := printed(t, func() { execute(args) })
			harmlessText(t, strings.Join(args, " "), text)
			t.Logf("%q: %.300q", args[:min(3, len(args))], text)
			if slices.Contains(args, "export") {
				exportIsJSON(t, text, hostile)
				exportIsJSON(t, text, "rig?[2J?2J??") // the connection lets no control in
			}
		}
		if err := a.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	})
	harmlessText(t, "the log", log)
	for line := range strings.Lines(log) {
		if _, err := time.Parse("2006-01-02 15:04:05", line[:min(19, len(line))]); err != nil {
			t.Errorf("no line of the log: %q", line)
		}
	}
}

// exportIsJSON reads what was exported, in which the hostile name must still stand as it was given.
func exportIsJSON(t *testing.T, text, name string) {
	t.Helper()
	found := false
	for line := range strings.Lines(text) {
		var row any
		if err := json.Unmarshal([]byte(line), &row); err != nil {
			t.Errorf("%q: %v", line, err)
		}
		found = found || holdsText(row, name)
	}
	if !found {
		t.Errorf("the name is not in the export: %.2000q", text)
	}
}

func holdsText(v any, text string) bool {
	switch v := v.(type) {
	case string:
		return strings.Contains(v, text)
	case []any:
		return slices.ContainsFunc(v, func(e any) bool { return holdsText(e, text) })
	case map[string]any:
		for _, e := range v {
			if holdsText(e, text) {
				return true
			}
		}
	}
	return false
}

// TestOutputKeepsCharactersWhole writes text a byte at a time.
func TestOutputKeepsCharactersWhole(t *testing.T) {
	const text = "5 °C – 漢字 🙂 \u00a0\u200d\n"
	got := printed(t, func() {
		o := &output{raw: os.Stdout}
		for i := range len(text) {
			if n, err := o.Write([]byte{text[i]}); n != 1 || err != nil {
				t.Error(n, err)
			}
		}
	})
	if got != text {
		t.Errorf("%q", got)
	}
	shown := "\x1b[1mx\x1b[0m \x1b[30;43mx\x1b[0m"
	if bold := guarded(shown+"\x1b[2J", wording.Style{Bold: true, Colour: true}); bold != shown+`\u001b[2J` {
		t.Errorf("%q", bold)
	}
}
