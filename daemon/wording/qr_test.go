package wording

import (
	"strings"
	"testing"
)

// modules reads a drawing back: true is black.
func modules(t *testing.T, lines []string, inverted bool) (m [][]bool) {
	t.Helper()
	for _, l := range lines {
		l = strings.TrimSuffix(strings.TrimPrefix(l, "\x1b[30;107m"), "\x1b[0m")
		var upper, lower []bool
		for _, c := range l {
			at := strings.IndexRune(" ▀▄█", c)
			if at < 0 {
				t.Fatalf("there is a %q in it", c)
			}
			i := map[string]int{" ": 0, "▀": 1, "▄": 2, "█": 3}[string(c)]
			upper, lower = append(upper, i&1 != 0 != inverted), append(lower, i&2 != 0 != inverted)
		}
		m = append(m, upper, lower)
	}
	return m
}

// TestQR: what is drawn has a margin of four modules and the three finder patterns of ISO/IEC 18004, 6.3.3 (7 by 7: black, white,
// black 3 by 3), the same in colour as without, and fits a terminal of 80 by 24 with the address of a machine.
func TestQR(t *testing.T) {
	const address = "http://192.168.178.20:7353/i/ABCDEFGHIJKLMNOPQRST"
	coloured, err := QR(address, Style{Colour: true})
	if err != nil {
		t.Fatal(err)
	}
	plain, err := QR(address, Style{})
	if err != nil {
		t.Fatal(err)
	}
	m, p := modules(t, coloured, false), modules(t, plain, true)
	size := len(m[0]) - 2*quietModules
	if size < 21 || size%4 != 1 {
		t.Fatalf("%d modules are no size of a QR code", size)
	}
	if len(coloured) > 19 || len(m[0]) > 80 {
		t.Errorf("it takes %d lines of %d columns", len(coloured), len(m[0]))
	}
	for y := range m {
		for x := range m[y] {
			if m[y][x] != p[y][x] {
				t.Fatalf("at %d,%d it is another without colour", x, y)
			}
			inside := x >= quietModules && y >= quietModules && x < size+quietModules && y < size+quietModules
			if !inside && m[y][x] {
				t.Fatalf("at %d,%d the margin is not empty", x, y)
			}
		}
	}
	for _, corner := range [][2]int{{0, 0}, {size - 7, 0}, {0, size - 7}} {
		for dy := range 7 {
			for dx := range 7 {
				ring := min(dx, dy, 6-dx, 6-dy)
				if got := m[quietModules+corner[1]+dy][quietModules+corner[0]+dx]; got != (ring != 1) {
					t.Fatalf("the pattern at %v is wrong at %d,%d", corner, dx, dy)
				}
			}
		}
	}
	for _, l := range coloured {
		if !strings.HasPrefix(l, "\x1b[30;107m") || !strings.HasSuffix(l, "\x1b[0m") {
			t.Fatalf("a line has the terminal's own colours: %q", l)
		}
	}
}
