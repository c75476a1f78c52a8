package main

import (
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"beltwarden/daemon/precision"
	"beltwarden/daemon/wording"
)

// jsonFlag gives a reading command its --json.
func jsonFlag(c *cobra.Command) *bool {
	return c.Flags().Bool("json", false, "print JSON")
}

// printJSON writes one indented JSON value.
func printJSON(w io.Writer, v any) error {
	text, err := precision.MarshalIndent(v, "", "  ")
	if err != nil {
		return fmt.Errorf("cannot write JSON: %w", err)
	}
	_, err = w.Write(append(text, '\n'))
	return err
}

// output is what every command writes to. What could move a terminal's cursor or change its state goes out escaped,
// whatever wrote it; our own bold and colours pass at a terminal that shows them. What draws a screen writes to raw instead.
type output struct {
	raw    *os.File
	colour *colourChoice
	mu     sync.Mutex
	part   []byte // the beginning of a character whose rest is still to come
}

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
	if _, err := io.WriteString(o.raw, guarded(string(text[:end]), style(o))); err != nil {
		return 0, err
	}
	return len(p), nil
}

// decoration is what wording puts around a word: bold, or one of its colours, and their end.
var decoration = regexp.MustCompile("\x1b\\[(0|1|1;37;41|30;43|30;42|30;107)m")

// guarded escapes what a terminal may obey, and leaves our own bold and colours where they are shown.
func guarded(text string, st wording.Style) string {
	if !st.Bold && !st.Colour {
		return wording.Escaped(text)
	}
	var out strings.Builder
	from := 0
	for _, at := range decoration.FindAllStringIndex(text, -1) {
		out.WriteString(wording.Escaped(text[from:at[0]]))
		out.WriteString(text[at[0]:at[1]])
		from = at[1]
	}
	out.WriteString(wording.Escaped(text[from:]))
	return out.String()
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

// style returns how wide the output is and how it may be decorated. A writer that
// is no terminal gets 80 plain columns, whatever reads it, unless colour is asked for.
func style(w io.Writer) wording.Style {
	st := wording.Style{Width: 80}
	choice := colourAuto
	if o, ok := w.(*output); ok && o.colour != nil {
		choice = *o.colour
	}
	f, ok := raw(w).(*os.File)
	st.Terminal = ok && term.IsTerminal(int(f.Fd()))
	if st.Terminal {
		if width, height, err := term.GetSize(int(f.Fd())); err == nil && width > 0 {
			st.Width, st.Height = width, height
		}
	}
	st.Colour = choice.decorates(st.Terminal)
	st.Bold = st.Colour
	return st
}
