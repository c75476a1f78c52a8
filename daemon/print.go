package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"sync"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"beltwarden/daemon/wording"
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
	_, err = w.Write(append(text, '\n'))
	return err
}

// output is what every command writes to. What could move a terminal's cursor or change its state goes out escaped,
// whatever wrote it; bold passes at a terminal that shows it. What draws a screen writes to raw instead.
type output struct {
	raw  *os.File
	mu   sync.Mutex
	part []byte // the beginning of a character whose rest is still to come
}

const (
	boldOn  = "\x1b[1m"
	boldOff = "\x1b[0m"
)

// Write implements io.Writer.
func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	text := append(o.part, p...)
	end := len(text)
	for i := max(0, end-utf8.UTFMax+1); i < end; i++ {
		if utf8.RuneStart(text[i]) && !utf8.FullRune(text[i:]) {
			end = i
		}
	}
	o.part = slices.Clone(text[end:])
	if _, err := io.WriteString(o.raw, guarded(string(text[:end]), style(o).Bold)); err != nil {
		return 0, err
	}
	return len(p), nil
}

// guarded escapes what a terminal may obey, and leaves our own bold where it is shown.
func guarded(text string, bold bool) string {
	text = wording.Escaped(text)
	if bold {
		text = strings.NewReplacer(`\u001b[1m`, boldOn, `\u001b[0m`, boldOff).Replace(text)
	}
	return text
}

// raw is the file below an output, for what draws a screen.
func raw(w io.Writer) io.Writer {
	if o, ok := w.(*output); ok {
		return o.raw
	}
	return w
}

// printLines writes lines of text.
func printLines(w io.Writer, lines []string) error {
	_, err := io.WriteString(w, strings.Join(lines, "\n")+"\n")
	return err
}

// style returns how wide the output is and whether it may be bold. A writer that
// is no terminal gets 80 plain columns, whatever reads it.
func style(w io.Writer) wording.Style {
	st := wording.Style{Width: 80}
	f, ok := raw(w).(*os.File)
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
