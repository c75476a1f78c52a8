package shelf

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func TestName(t *testing.T) {
	long := strings.Repeat("x", 300)
	for _, c := range []struct{ said, want string }{
		{"stake-clip.gcode", "stake-clip.gcode"},
		{"Tropf-Hering 4 mm (2).gcode", "Tropf-Hering 4 mm (2).gcode"},
		{"Pflöckchen.gcode", "Pflöckchen.gcode"},
		{"../../../etc/passwd", "passwd"},
		{`..\..\clip.gcode`, "clip.gcode"},
		{`/etc/../clip.gcode`, "clip.gcode"},
		{`C:\jobs\clip.gcode`, "clip.gcode"},
		{"C:clip.gcode", "clip.gcode"},
		{"clip.gcode:hidden", "clip.gcode-hidden"},
		{".hidden.gcode", "hidden.gcode"},
		{"...clip.gcode...", "clip.gcode"},
		{"--force.gcode", "force.gcode"},
		{"clip\x00.gcode", "clip.gcode"},
		{"clip.gcode\r\nX-Header: 1", "clip.gcodeX-Header- 1"},
		{"\x1b[31mclip.gcode", "[31mclip.gcode"},
		{"clip\u202eedocg.exe", "clip-edocg.exe"},      // right to left
		{"..\u2215..\u2215clip.gcode", "clip.gcode"},   // a division sign for a separator
		{"\uff0e\uff0e\uff0fclip.gcode", "clip.gcode"}, // wide dots and a wide separator
		{"%2e%2e%2fclip.gcode", "2e-2e-2fclip.gcode"},  // nothing is decoded a second time
		{"\u0441lip.gcode", "\u0441lip.gcode"},         // a Cyrillic letter is a letter
		{"clip\xff\xfe.gcode", "clip--.gcode"},         // no UTF-8
		{"NUL.gcode", "job-NUL.gcode"}, {"com1.x.gcode", "job-com1.x.gcode"}, {"con", "job-con"}, {"CON .gcode", "job-CON .gcode"},
		{"console.gcode", "console.gcode"},
		{long + ".gcode", long[:MaxName-6] + ".gcode"},
		{long, long[:MaxName]},
		{strings.Repeat("ö", 100) + ".gcode", strings.Repeat("ö", (MaxName-6)/2) + ".gcode"},
		{"clip." + long, ("clip." + long)[:MaxName]}, // an extension that is none
	} {
		got, err := Name(c.said)
		if err != nil || got != c.want {
			t.Errorf("%q: got %q, %v, want %q", c.said, got, err, c.want)
		}
	}
	for _, said := range []string{"", ".", "..", "/", `\`, "../", `..\`, "...", "\x00", "   ", "-", "---", "////", "\u202e", ".gcode/", "a/.."} {
		if got, err := Name(said); !errors.Is(err, ErrName) {
			t.Errorf("%q: got %q, %v", said, got, err)
		}
	}
}

// Whatever is said, the name stays in the folder, and reducing it again changes nothing.
func TestNameProperty(t *testing.T) {
	text := rapid.OneOf(rapid.String(), rapid.StringOf(rapid.SampledFrom([]rune("./\\:-~ \x00\n\u2215\u202eaNUL1ö"))),
		rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) }))
	rapid.Check(t, func(t *rapid.T) {
		said := text.Draw(t, "said")
		name, err := Name(said)
		if err != nil {
			return
		}
		again, err := Name(name)
		switch {
		case err != nil || again != name:
			t.Fatalf("%q became %q and then %q, %v", said, name, again, err)
		case len(name) == 0 || len(name) > MaxName || !utf8.ValidString(name):
			t.Fatalf("%q became %q", said, name)
		case strings.ContainsAny(name, `/\:`) || strings.ContainsFunc(name, unicode.IsControl) || name[0] == '.' || name[0] == '-':
			t.Fatalf("%q became %q", said, name)
		case !filepath.IsLocal(name) || filepath.Base(name) != name:
			t.Fatalf("%q became %q, which leads elsewhere", said, name)
		}
		for n := 2; n <= maxSameName; n += 331 {
			if m := numbered(name, n); len(m) > MaxName || !utf8.ValidString(m) || m == name {
				t.Fatalf("number %d of %q is %q", n, name, m)
			} else if r, err := Name(m); err != nil || r != m {
				t.Fatalf("number %d of %q is %q, which is reduced to %q, %v", n, name, m, r, err)
			}
		}
	})
}
