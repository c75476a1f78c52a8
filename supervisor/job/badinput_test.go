package job

import (
	"context"
	"encoding/binary"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"unicode/utf16"
	"unicode/utf8"
)

const again = "; correct the line, or slice the part again"

// badLines are lines that cannot be, with the whole message. In each job the line is
// number 9, and line 11 is wrong too.
var badLines = []struct{ line, says string }{
	{"G1 X1e5", "column 6: a number has an exponent; write it out, or put a space before the E word"},
	{"G1 X1E5 E1", "column 9: the word E is there twice"},
	{"G1 X.", `column 5: "." is not a number`},
	{"G1 X-.", `column 5: "-." is not a number`},
	{"G1 X--3", `column 5: "--3" is not a number`},
	{"G1 X+-1", `column 5: "+-1" is not a number`},
	{"G1 XNaN", `column 5: "NaN" is not a number`},
	{"G1 X-inf", `column 5: "-inf" is not a number`},
	{"G1 X1,5", "column 6: the character ',' does not belong here"},
	{"G1 X1.2.3", "column 8: the character '.' does not belong here"},
	{"G1 X0x10", "column 6: the word X is there twice"},
	{"G1 X" + strings.Repeat("9", 400), "column 5: a number is too large"},
	{"G1 X-" + strings.Repeat("9", 400) + ".5", "column 5: a number is too large"},
	{"G1 X" + strings.Repeat("0", 400) + "." + strings.Repeat("1", 400) + "x", "column 806: the word X is there twice"},
	{"G1 X\x00", "column 5: a NUL byte; the file is damaged"},
	{"; note\x00", "column 7: a NUL byte; the file is damaged"},
	{"G1 X1 \xc3\xa9", "column 7: the byte 0xc3 is not G-code"},
	{"G1 X1\x1b", "column 6: the byte 0x1b is not G-code"},
	{"\xef\xbb\xbfG1 X1", "column 1: the byte 0xef is not G-code"},
	{"X1 Y2", "column 1: the line does not begin with a G, M or T word; write the command in every line"},
	{"G", "column 1: the command G has no number"},
	{"G-1", "column 1: the number of the command is not understood"},
	{"G1 X", "column 4: the word X has no number"},
	{"G1 X1 X2", "column 7: the word X is there twice"},
	{"G90 G91", "column 5: a second command in the line, which boards ignore; give it a line of its own"},
	{"G1 X1 (left", "column 7: a comment is opened with ( and not closed"},
	{`M106 A"open`, `column 7: a text is opened with " and not closed`},
	{"G1 X1 *", "column 7: a checksum is a * and digits at the end of the line"},
	{"N5 G1 X1*256", "column 9: a checksum is at most 255"},
	{"G1 F-1", "column 4: the feed is negative"},
	{"G2 X9 Y5 R0.1", "cannot follow the arc: a radius of 0.1000 mm does not reach over 3.0000 mm"},
	{"G2 X9 Y5 R" + strings.Repeat("9", 13), "column 11: a number is too large"},
	{"G2 X9", "cannot follow the arc: it has neither a radius R nor a centre I or J"},
	{"G2 X9 I1 R3", "cannot follow the arc: it has both a radius R and a centre I or J"},
	{"G3 I0 J0", "cannot follow the arc: its radius is zero"},
	{"G3 X9 I1", "cannot follow the arc: its radius is 1.0000 mm at the start and 2.0000 mm at the end; check I, J and K, or have the slicer write straight moves"},
	{"G3 X9 I2 P3", "cannot follow an arc of several turns to another place: boards count P differently; write each turn as a line"},
	{strings.Repeat("x", MaxLineBytes+1), ""},
}

// Each message is the whole of it, and the other wrong line of the file is named too.
func TestBadLines(t *testing.T) {
	for _, c := range badLines {
		name := c.line[:min(len(c.line), 40)]
		_, err := inspectText(t, start+"G1 X6 E5\n"+c.line+"\nG1 X7 E6\nG1 Y..\nM104 S0\n", upright)
		want := "J:9: " + c.says + again + "\n"
		if c.says == "" {
			want = "J:9: the line is longer than 1048576 bytes; check whether the file is G-code at all\n"
		}
		want += `J:11: column 5: ".." is not a number` + again
		if err == nil {
			t.Errorf("%q: accepted", name)
			continue
		}
		if got := message(err); got != want {
			t.Errorf("%q: got\n%s\nwant\n%s", name, got, want)
		}
	}
}

// message is an error without the directory of its file.
func message(err error) string {
	text := err.Error()
	for {
		at := strings.Index(text, os.TempDir())
		if at < 0 {
			return text
		}
		end := at
		for end < len(text) && text[end] != ':' && text[end] != '\n' && text[end] != ' ' {
			end++
		}
		text = text[:at] + "J" + text[end:]
	}
}

// Every line of a file that is nothing but mistakes is named, as far as a list of them
// is of use, and the rest are counted.
func TestEveryMistake(t *testing.T) {
	_, err := inspectText(t, start+"G1 X6 E5\n"+strings.Repeat("G1 X--1\nG2 X9\n", 1000), upright)
	if err == nil {
		t.Fatal("accepted")
	}
	text := message(err)
	for _, says := range []string{"J:9: column 5", "J:10: cannot follow", "J:47: column 5", "J:48: cannot follow",
		"J: 980 more problems of this kind (unreadable)", "J: 980 more problems of this kind (impossible)"} {
		if !strings.Contains(text, says) {
			t.Errorf("%q is missing in\n%s", says, text)
		}
	}
	if n := strings.Count(text, "\n") + 1; n != 42 {
		t.Errorf("%d messages, want 42", n)
	}
}

// Lines of every length up to twice the longest are read or refused, and nothing else.
func TestLineLengths(t *testing.T) {
	for n := 0; n <= 2*MaxLineBytes; n = n*3 + 1 {
		for _, line := range []string{strings.Repeat(" ", n), ";" + strings.Repeat("x", n), "G1 X6 " + strings.Repeat(" ", n) + "E5", "(" + strings.Repeat("y", n) + ")"} {
			_, err := inspectText(t, start+"G1 X6 E5\n"+line+"\nG1 X7 E6\nM104 S0\n", upright)
			switch {
			case len(line) <= MaxLineBytes && err != nil:
				t.Errorf("%d bytes of %.8q: %v", len(line), line, err)
			case len(line) > MaxLineBytes && (err == nil || message(err) != "J:9: the line is longer than 1048576 bytes; check whether the file is G-code at all"):
				t.Errorf("%d bytes of %.8q: %v", len(line), line, err)
			}
		}
	}
}

// wide writes text in characters of two or four bytes.
func wide(text string, order binary.AppendByteOrder, size int) string {
	var b []byte
	for _, r := range text {
		if size == 4 {
			b = order.AppendUint32(b, uint32(r))
			continue
		}
		for _, u := range utf16.AppendRune(nil, r) {
			b = order.AppendUint16(b, u)
		}
	}
	return string(b)
}

// Files of other kinds, with the whole message.
func TestForeignFiles(t *testing.T) {
	const (
		unpack = "; unpack it and name the G-code file inside"
		save   = "; save it as plain ASCII or UTF-8"
	)
	tar := strings.Repeat("n", 257) + "ustar\x0000" + strings.Repeat("\x00", 248)
	note := "; Klammer für Pflanzstäbe\n" + start + "G1 X6 E5\n"
	for text, says := range map[string]string{
		"":                         "is empty; slice the part again",
		"\x1f\x8b\x08rest":         "is compressed (gzip)" + unpack,
		"PK\x03\x04rest":           "is compressed (zip)" + unpack,
		"PK\x05\x06" + "\x00\x00":  "is compressed (zip)" + unpack,
		"\x28\xb5\x2f\xfdrest":     "is compressed (zstd)" + unpack,
		"\xfd7zXZ\x00rest":         "is compressed (xz)" + unpack,
		"BZh91AY":                  "is compressed (bzip2)" + unpack,
		"7z\xbc\xaf\x27\x1crest":   "is compressed (7z)" + unpack,
		"\x04\x22\x4d\x18rest":     "is compressed (lz4)" + unpack,
		"\x5d\x00\x00\x80\x00rest": "is compressed (lzma)" + unpack,
		"\x1f\x9d\x90rest":         "is compressed (compress)" + unpack,
		"LZIP\x01rest":             "is compressed (lzip)" + unpack,
		"Rar!\x1a\x07\x01\x00rest": "is compressed (rar)" + unpack,
		tar:                        "is an archive (tar)" + unpack,
		"\xff\xfe" + wide(note, binary.LittleEndian, 2):         "is text in UTF-16" + save,
		"\xfe\xff" + wide(note, binary.BigEndian, 2):            "is text in UTF-16" + save,
		wide(note, binary.LittleEndian, 2):                      "is text in UTF-16" + save,
		wide(note, binary.BigEndian, 2):                         "is text in UTF-16" + save,
		wide("G28\n", binary.LittleEndian, 2):                   "is text in UTF-16" + save,
		"\xff\xfe\x00\x00" + wide(note, binary.LittleEndian, 4): "is text in UTF-32" + save,
		"\x00\x00\xfe\xff" + wide(note, binary.BigEndian, 4):    "is text in UTF-32" + save,
		wide(note, binary.LittleEndian, 4):                      "is text in UTF-32" + save,
		wide(note, binary.BigEndian, 4):                         "is text in UTF-32" + save,
		strings.Repeat("\x00", 5000):                            "begins with NUL bytes only, as a file does whose writing was cut off; copy it again, or slice the part again",
		"\x7fELF\x02":                                           "is no G-code file but a program, picture or document; name the file that the slicer wrote",
		"\x89PNG\r\n":                                           "is no G-code file but a program, picture or document; name the file that the slicer wrote",
		"%PDF-1.7":                                              "is no G-code file but a program, picture or document; name the file that the slicer wrote",
		"solid clip\nfacet":                                     "is a model, not a sliced job; slice it first",
	} {
		_, err := inspectText(t, text, upright)
		if err == nil || message(err) != "J: "+says {
			t.Errorf("%.20q: got %v, want %s", text, err, says)
		}
	}
	if !utf8.ValidString(note) {
		t.Fatal("the note is no text")
	}
	// Text in UTF-8 is no foreign file, with a byte order mark or without one.
	for _, text := range []string{note + "M104 S0\n", "\xef\xbb\xbf" + note + "M104 S0\n"} {
		if _, err := inspectText(t, text, upright); err != nil {
			t.Errorf("%.20q: %v", text, err)
		}
	}
	for _, text := range []string{"\n", "; only a comment\n(and another)\n", "\xef\xbb\xbf", "\r\r", "\n\r\n\r"} {
		_, err := inspectText(t, text, upright)
		if err == nil || message(err) != "J: no move extrudes filament, so there is no part; check that the file was sliced for a filament printer, and where it marks the part" {
			t.Errorf("%q: got %v", text, err)
		}
	}
}

// What a path may name besides a file, with the whole message.
func TestBadPaths(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	const saveFirst = "; save the job as a file first; every part reads it again"
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(syscall.Mkfifo(in("pipe"), 0o600))
	short, err := os.MkdirTemp("", "s") // the path of a socket is short
	must(err)
	defer os.RemoveAll(short)
	l, err := net.Listen("unix", filepath.Join(short, "socket"))
	must(err)
	defer l.Close()
	must(os.Symlink(in("loop"), in("loop")))
	must(os.Symlink(in("nowhere"), in("dangling")))
	must(os.WriteFile(in("file"), []byte(start), 0o600))
	for path, says := range map[string]string{
		dir:                            "J: is a directory; name one G-code file",
		in("pipe"):                     "J: is no regular file but a pipe, socket or device" + saveFirst,
		filepath.Join(short, "socket"): "J: is no regular file but a pipe, socket or device" + saveFirst,
		"/dev/zero":                    "/dev/zero: is no regular file but a pipe, socket or device" + saveFirst,
		"/proc/self/maps":              "/proc/self/maps: has no size, and yet there is something in it: is it a device or a pseudo file?" + saveFirst,
		in("loop"):                     "cannot inspect job: stat J: too many levels of symbolic links",
		in("dangling"):                 "cannot inspect job: stat J: no such file or directory",
		in("absent"):                   "cannot inspect job: stat J: no such file or directory",
		in("file/clip"):                "cannot inspect job: stat J: not a directory",
		in(strings.Repeat("n", 300)):   "cannot inspect job: stat J: file name too long",
		"":                             "cannot inspect job: stat : no such file or directory",
	} {
		if _, err := Inspect(context.Background(), path, upright, nil); err == nil || message(err) != says {
			t.Errorf("%s: got %v, want %s", path, err, says)
		}
	}
}
