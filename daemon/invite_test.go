package main

import (
	"strings"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
)

// An invitation fits a terminal of 80 by 24, tells what the telephone may then do, and can be used without a camera.
func TestInvitationFitsATerminal(t *testing.T) {
	v := client.Invitation{Machine: "clip\x1b press", Role: "operate", URL: "http://192.168.178.20:7353/i/ABCDEFGHIJKLMNOPQRST", Login: "http://192.168.178.20:7353/login",
		Code: "ACDE-7HJK", Until: time.Now()}
	lines, err := invitationLines(v, wording.Style{Colour: true, Width: 80, Height: 24})
	if err != nil {
		t.Fatal(err)
	}
	if len(lines) > 23 {
		t.Errorf("%d lines, and the prompt needs one", len(lines))
	}
	for _, l := range lines {
		if n := len([]rune(strings.TrimSuffix(strings.TrimPrefix(l, "\x1b[30;107m"), "\x1b[0m"))); n > 80 {
			t.Errorf("%d columns: %s", n, l)
		}
	}
	all := strings.Join(lines, "\n")
	for _, part := range []string{"heat and move clip", v.Code, v.Login, "Good once"} {
		if !strings.Contains(all, part) {
			t.Errorf("%q is missing in\n%s", part, all)
		}
	}
	if strings.Contains(all, "\x1b press") {
		t.Error("a name commands the terminal")
	}
}
