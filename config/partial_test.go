package config

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// receiversText is a section with a receiver of every kind.
const receiversText = `alerts:
  webhooks:
    - name: shed # the lamp
      url: "https://shed.example/hook"
      header: {X-Key: "a: b"}
    - {name: phone, url: "https://phone.example/hook"}
  mails:
  - name: ana
    host: mail.example
    from: press@workshop.example
    to: [ana@workshop.example]
  services:
    - name: chat
      url_file: /etc/beltwarden/chat
  alertmanagers: [{name: manager, url: "http://127.0.0.1:9093"}]
  retry_first_s: 2
`

// withReceivers is the example with them in place of its section, and the lines of that.
func withReceivers(t *testing.T) (text []string, from, to int) {
	t.Helper()
	var all []string
	for _, line := range strings.Split(string(Example()), "\n") {
		if line != "" && !strings.HasPrefix(strings.TrimSpace(line), "#") {
			all = append(all, line)
		}
	}
	from, end := slices.Index(all, "alerts:"), slices.Index(all, "log:")
	if from < 0 || end < from {
		t.Fatal("the example has no section alerts before log")
	}
	ours := strings.Split(strings.TrimSuffix(receiversText, "\n"), "\n")
	return slices.Concat(all[:from], ours, all[end:]), from, from + len(ours)
}

// damages are what hands do to one line of a file.
var damages = map[string]func(line string) string{
	"a word alone":       func(s string) string { return s + "\noops" },
	"another group":      func(s string) string { return s + "\nlof: {level: info}" },
	"an open quote":      func(s string) string { return s + "\nodd: \"open" },
	"an open bracket":    func(s string) string { return s + "\nodd: [1, 2" },
	"an unknown key":     func(s string) string { return s + "\n  odd: 1" },
	"a tab":              func(s string) string { return "\t" + s },
	"a blank too many":   func(s string) string { return " " + s },
	"a blank too few":    func(s string) string { return strings.TrimPrefix(s, " ") },
	"no colon":           func(s string) string { return strings.Replace(s, ":", "", 1) },
	"an end of document": func(s string) string { return s + "\n---" },
	"a zero byte":        func(s string) string { return s + "\x00" },
	"no UTF-8":           func(s string) string { return s + "\xff" },
	"a wrong value":      func(s string) string { k, _, _ := strings.Cut(s, ":"); return k + ": [x, {y: 1}]" },
	"nothing":            func(string) string { return "" },
}

// No slip in any line elsewhere keeps a receiver from being called.
func TestLoadPartialKeepsReceiversWhateverStandsElsewhere(t *testing.T) {
	text, from, to := withReceivers(t)
	sound, err := Parse("x", []byte(strings.Join(text, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := parsePartial("x", []byte(strings.Join(text, "\n"))); err != nil || !cmp.Equal(got, sound) {
		t.Fatalf("a sound file: %v %s", err, cmp.Diff(sound, got))
	}
	tried, step := 0, 3
	if testing.Short() {
		step = 11
	}
	for i, line := range text {
		if i >= from-1 && i < to {
			continue // the line before the section as well: what is added to it stands in the section
		}
		for k, name := range slices.Sorted(maps.Keys(damages)) {
			if (i+k)%step != 0 {
				continue
			}
			damage := damages[name]
			damaged := []byte(strings.Join(slices.Concat(text[:i], []string{damage(line)}, text[i+1:]), "\n"))
			if _, err := Parse("x", damaged); err == nil {
				continue
			}
			tried++
			got, err := parsePartial("x", damaged)
			if err == nil {
				t.Errorf("line %d, %s: no mistake", i+1, name)
			}
			if diff := cmp.Diff(sound.Alerts, got.Alerts); diff != "" {
				t.Errorf("line %d %q, %s:\n%s", i+1, line, name, diff)
			}
		}
	}
	if tried < 900/step {
		t.Errorf("%d tried", tried)
	}
}

// A slip within the section costs at most the list that it is in, and is reported with its line.
func TestLoadPartialKeepsTheOtherReceivers(t *testing.T) {
	text, from, to := withReceivers(t)
	sound, err := parsePartial("x", []byte(strings.Join(text, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	lists := func(a Alerts) map[string]any {
		return map[string]any{"webhooks": a.Webhooks, "mails": a.Mails, "services": a.Services, "alertmanagers": a.Alertmanagers}
	}
	tried, in := 0, ""
	for i := from + 1; i < to; i++ {
		if word, _, _ := strings.Cut(strings.TrimSpace(text[i]), ":"); lists(sound.Alerts)[word] != nil {
			in = word
		}
		for _, name := range []string{"a tab", "a zero byte", "no UTF-8", "a word alone", "an unknown key", "a wrong value", "nothing", "no colon"} {
			damaged := []byte(strings.Join(slices.Concat(text[:i], []string{damages[name](text[i])}, text[i+1:]), "\n"))
			if _, err := Parse("x", damaged); err == nil {
				continue
			}
			tried++
			got, err := parsePartial("x", damaged)
			var mistakes Errors
			if !errors.As(err, &mistakes) || !mistakes.Touches("alerts") || !slices.ContainsFunc(mistakes, func(e *Error) bool { return e.Line >= i-2 && e.Line <= i+3 }) {
				t.Errorf("line %d %q, %s: %v", i+1, text[i], name, err)
			}
			for list, want := range lists(sound.Alerts) {
				if list != in && !cmp.Equal(want, lists(got.Alerts)[list]) {
					t.Errorf("line %d %q, %s: %s is lost\n%v", i+1, text[i], name, list, err)
				}
			}
		}
	}
	if tried < 50 {
		t.Errorf("%d tried", tried)
	}
}

func TestLoadPartialSaysWhichGroupAMistakeIsIn(t *testing.T) {
	for _, c := range []struct {
		text          string
		alerts, other bool
	}{
		{least + "log:\n  level: \"info\n", false, false},
		{least + "alerts:\n  quiet: \"22\n", true, false},
		{least + "hold: {a: [}\n", false, false},
		{strings.Replace(least, "+1", "[", 1), false, true},
		{"oops\n" + least, true, true}, // of no group: it may have been meant for any
		{least + "oops\n", false, false},
		{least + "alerts:\noops\n", true, false},
	} {
		s, err := parsePartial("x", []byte(c.text))
		var mistakes Errors
		if !errors.As(err, &mistakes) || s == nil || mistakes.Touches("alerts") != c.alerts || mistakes.Touches("machine") != c.other {
			t.Errorf("%q: %v", c.text, err)
		}
		if !c.other && s.Machine.Port != "/dev/x" {
			t.Errorf("%q: the port is lost", c.text)
		}
	}
}

// A file that is none must neither fail nor take long.
func TestLoadPartialIsBounded(t *testing.T) {
	for _, text := range [][]byte{nil, {0}, bytes.Repeat([]byte("a\x00\n"), 5000), bytes.Repeat([]byte("x"), MaxBytes+1), bytes.Repeat([]byte("- [\n"), 5000),
		[]byte(fmt.Sprintf("%s%s", strings.Repeat(" ", 40), "]")), bytes.Repeat([]byte("["), 20000)} {
		if s, err := parsePartial("x", text); s == nil || err == nil {
			t.Errorf("%.20q: %v", text, err)
		}
	}
}
