package config

import (
	"strings"
	"testing"
)

func TestChange(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"blocks", "# ours\nmachine:\n  forward: unknown  # not found yet\n  port: /dev/x\nbelt: # rubber\n  to_drop_mm: 0\n", "# ours\nmachine:\n  forward: -1  # not found yet\n  port: /dev/x\nbelt: # rubber\n  to_drop_mm: 225\n"},
		{"one line", "machine: {port: /dev/x, forward: +1}\nbelt: {to_drop_mm: 20}", "machine: {port: /dev/x, forward: -1}\nbelt: {to_drop_mm: 225}"},
		{"CRLF", "machine:\r\n  forward: +1\r\nbelt:\r\n  to_drop_mm: 0\r\n", "machine:\r\n  forward: -1\r\nbelt:\r\n  to_drop_mm: 225\r\n"},
	} {
		got, err := Change([]byte(c.text), map[string]string{"machine.forward": "-1", "belt.to_drop_mm": "225"})
		if err != nil || string(got) != c.want {
			t.Errorf("%s: %v\n%s", c.name, err, got)
		}
	}
	for _, text := range []string{"", "machine:\n  port: x\n", "machine: 5\n", "machine:\n  forward: \"+1\"\n", "machine:\n  forward: [1]\n", "machine: [", "forward: +1\n"} {
		got, err := Change([]byte(text), map[string]string{"machine.forward": "-1"})
		if err == nil || !strings.HasPrefix(err.Error(), "cannot change the configuration: ") {
			t.Errorf("%q: %q %v", text, got, err)
		}
	}
	got, err := Change(example, map[string]string{"machine.forward": "unknown", "belt.to_drop_mm": "0"})
	if err != nil {
		t.Fatal(err)
	}
	if s, err := Parse("x", got); err != nil || s.Machine.Forward != 0 || s.Belt.ToDropMM != 0 || len(got) != len(example)+len("unknown")-len("+1")-len("250")+1 {
		t.Errorf("%v", err)
	}
}
