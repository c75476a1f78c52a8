package browser

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltwarden/config"
	"beltwarden/supervisor"
)

// locked makes a workshop whose daemon asks for secrets.
func locked(t *testing.T, alter func(*config.Settings)) *workshop {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"operate": "wide-open-greenhouse-42", "look": "glass-front-door-17"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return newWorkshop(t, 0, func(c *config.Settings) {
		c.Server.SecretFile, c.Server.LookSecretFile = filepath.Join(dir, "operate"), filepath.Join(dir, "look")
		if alter != nil {
			alter(c)
		}
	})
}

// Whoever follows a link to the visit form is asked for the secret, may mistake it, and
// lands on the form; whoever only looks is shown no form; logging out ends it. With
// scripts and without.
func TestLogInAndOut(t *testing.T) {
	beside(t)
	w := locked(t, func(c *config.Settings) { c.Hold.EveryParts = 2 })
	w.order("plant-stake clips", 12)
	w.reach(supervisor.Held)
	for _, scripts := range []bool{true, false} {
		b := open(t, w.url, phone)
		b.scripts(scripts)
		b.visit("/visit")
		b.find("Sign in", "heading")
		b.lawful()
		b.shot("asked")
		b.fill("Secret", "nonsense")
		b.press("Sign in")
		b.sees("The secret is wrong.")
		b.lawful()
		b.shot("refused")
		b.fill("Secret", "wide-open-greenhouse-42")
		b.press("Sign in")
		b.find("Record a visit", "heading")
		if at, _, _ := strings.Cut(b.path(), "?key="); at != "/visit" {
			t.Errorf("signing in leads to %s", at)
		}
		b.fill("Good parts", "1")
		b.press("Record only")
		b.sees("The visit is recorded")
		b.press("Sign out")
		b.find("Sign in", "heading")
		b.visit("/")
		b.find("Sign in", "heading")

		b.fill("Secret", "glass-front-door-17")
		b.press("Sign in")
		b.sees("Where the parts are")
		b.lawful()
		b.shot("looking")
		for _, name := range []string{"Record a visit", "Go on", "Stop", "Abort: switch off at once"} {
			if b.has(name, presses...) {
				t.Errorf("a looker is offered %q (scripts %v)", name, scripts)
			}
		}
		b.press("Sign out")
	}
}
