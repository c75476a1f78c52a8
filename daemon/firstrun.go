package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"beltwarden/config"
)

// defaultConfig is the file that the service is started with.
const defaultConfig = "/etc/beltwarden/beltwarden.yaml"

// cautions are shown before a port is opened for the first time.
const cautions = `Before you connect a machine: it heats, and its belt moves. beltwarden is no safety device.
  - The printer's own heater protection is on, and a mains switch is within reach.
  - Nothing flammable is near, a smoke alarm is in the room, and the room is ventilated.
  - The belt's nip points are guarded; keep hands off belt and hot parts.
  - Someone is awake and near enough to act whenever it runs. Local codes come first.
`

// blank says whether a configuration says nothing yet: it is not there, or holds
// comments alone, as the package's does. A file that cannot be read is not blank.
func blank(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return errors.Is(err, fs.ErrNotExist)
	}
	defer func() { _ = f.Close() }()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return false
	}
	text, err := io.ReadAll(io.LimitReader(f, config.MaxBytes))
	if err != nil {
		return false
	}
	for line := range bytes.Lines(text) {
		if line = bytes.TrimSpace(line); len(line) > 0 && line[0] != '#' {
			return false
		}
	}
	return true
}

// firstRun leads somebody who has no configuration yet to one, and says what is still
// to be done by hand. It starts nothing. Without a terminal it is an error that says
// what to type.
func firstRun(c *cobra.Command, path string, given bool) error {
	nothing := fmt.Errorf("cannot serve: there is no configuration in %s yet", path)
	if !isTerminal(c.InOrStdin()) {
		hint := "write one with: beltwarden config new " + path
		if path == defaultConfig {
			hint = "write one with: sudo beltwarden config new " + path + ", and start the service again"
		}
		return &failure{status: exitConfig, err: nothing, hint: hint}
	}
	f := newFlags{greet: true}
	if !given && !mayWrite(path) {
		path = "beltwarden.yaml"
		if !blank(path) {
			return &failure{status: exitConfig, err: nothing, hint: "there is one in this folder: beltwarden serve --config " + path}
		}
	}
	if !mayWrite(config.Default().Ledger.Path) {
		f.dir = filepath.Dir(path)
	}
	out := c.ErrOrStderr()
	fmt.Fprintf(out, "There is no configuration yet. This writes %s: it looks for serial ports, greets the\n"+
		"board if you allow it, and asks for what it cannot find. It heats and moves nothing.\n\n", path)
	in := bufio.NewReader(c.InOrStdin())
	ok, err := agreed(c.Context(), in, out, "Go on?")
	if err != nil {
		return err
	}
	if !ok {
		return &failure{status: exitConfig, err: nothing, hint: "write one with: beltwarden config new FILE"}
	}
	return f.write(c, in, path)
}

// mayWrite says whether a file could be made there, with the folders that it lacks.
func mayWrite(path string) bool {
	for dir := path; ; dir = filepath.Dir(dir) {
		if err := unix.Access(dir, unix.W_OK); !errors.Is(err, unix.ENOENT) || dir == filepath.Dir(dir) {
			return err == nil
		}
	}
}

// agreed asks for a yes or a no.
func agreed(ctx context.Context, in *bufio.Reader, out io.Writer, question string) (bool, error) {
	for {
		word, err := askLine(ctx, in, out, question+" (yes or no): ")
		if err != nil {
			return false, err
		}
		switch strings.ToLower(word) {
		case "y", "yes":
			return true, nil
		case "n", "no":
			return false, nil
		}
	}
}

// askLine asks, and returns when there is a line, or when somebody has had enough.
func askLine(ctx context.Context, in *bufio.Reader, out io.Writer, question string) (string, error) {
	fmt.Fprint(out, question)
	type answer struct {
		line string
		err  error
	}
	got := make(chan answer, 1)
	go func() {
		line, err := in.ReadString('\n')
		got <- answer{line, err}
	}()
	select {
	case a := <-got:
		if a.err != nil {
			fmt.Fprintln(out)
			return "", unwritten("the input has ended")
		}
		return strings.TrimSpace(a.line), nil
	case <-ctx.Done():
		fmt.Fprintln(out)
		return "", unwritten("interrupted")
	}
}

// unwritten is how leading somebody to a configuration ends without one.
func unwritten(why string) error {
	return &failure{status: exitUsage, err: errors.New("cannot write a configuration: " + why + "; nothing was written"), hint: "run the same command again"}
}
