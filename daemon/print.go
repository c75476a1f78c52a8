package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"beltwarden/daemon/screen"
)

// jsonFlag gives a reading command its --json.
func jsonFlag(c *cobra.Command) *bool {
	return c.Flags().Bool("json", false, "print JSON")
}

// printJSON writes one indented JSON value.
func printJSON(w io.Writer, v any) error {
	text, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return fmt.Errorf("cannot write JSON: %w", err)
	}
	_, err = w.Write(append(escaped(text), '\n'))
	return err
}

// escaped writes by their numbers what JSON leaves as it is and a terminal may obey: 8-bit controls, and what turns
// the direction of the text.
func escaped(text []byte) []byte {
	var out []byte
	for _, r := range string(text) {
		if r != '\n' && r < 0x10000 && !unicode.IsPrint(r) {
			out = fmt.Appendf(out, "\\u%04x", r)
		} else {
			out = utf8.AppendRune(out, r)
		}
	}
	return out
}

// printLines writes lines of text.
func printLines(w io.Writer, lines []string) error {
	_, err := io.WriteString(w, strings.Join(lines, "\n")+"\n")
	return err
}

// style returns how wide the output is and whether it may be bold. A writer that
// is no terminal gets 80 plain columns, whatever reads it.
func style(w io.Writer) screen.Style {
	st := screen.Style{Width: 80}
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return st
	}
	if width, height, err := term.GetSize(int(f.Fd())); err == nil && width > 0 {
		st.Width, st.Height = width, height
	}
	st.Terminal = true
	st.Bold = os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
	return st
}
