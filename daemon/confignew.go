package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/serialio"
)

// newFlags are what a first configuration must hold, as given on the command line.
type newFlags struct {
	port, axis, forward, name string
	baud                      int
	toDropMM                  float64
	dir                       string
	greet                     bool
}

func newConfigNew() *cobra.Command {
	var f newFlags
	c := &cobra.Command{
		Use: "new FILE", Short: "Write a first configuration, and ask for what it must hold", Args: args(1, 1, "one file"),
		Long: "new leads through a first configuration. It looks for serial ports, greets the board\n" +
			"to find its baud rate, asks for what cannot be found, and writes a file with every\n" +
			"key explained. It heats and moves nothing. Greeting restarts many boards: do not\n" +
			"run it while one is printing.\n\n" +
			"What is given by flags is not asked for.",
		Example: "  beltwarden config new machine.yaml\n" +
			"  beltwarden config new machine.yaml --port /dev/serial/by-id/usb-board-if00 --belt-axis Y --forward +1 --to-drop-mm 220",
	}
	fl := c.Flags()
	fl.StringVar(&f.port, "port", "", "device path of the board")
	fl.IntVar(&f.baud, "baud", 0, "bit/s on the line (default: found by greeting the board, or 250000)")
	fl.StringVar(&f.axis, "belt-axis", "", "the axis that is the belt: Y or Z")
	fl.StringVar(&f.forward, "forward", "", "sign of a move that carries parts to the drop edge: +1 or -1")
	fl.Float64Var(&f.toDropMM, "to-drop-mm", 0, "from the nozzle to the edge where parts fall, mm")
	fl.StringVar(&f.name, "name", "", "name of the machine (default: machine)")
	fl.StringVar(&f.dir, "dir", "", "folder for ledger, jobs and socket, to try it without a service (default: those of the service)")
	fl.BoolVar(&f.greet, "greet", true, "greet the board")
	c.RunE = func(c *cobra.Command, args []string) error { return f.write(c, args[0]) }
	return c
}

func (f *newFlags) write(c *cobra.Command, path string) error {
	if _, err := os.Lstat(path); err == nil {
		return &failure{status: exitUsage, err: fmt.Errorf("cannot write a configuration: %s is there already", path), hint: "name another file, or edit that one and check it with: beltwarden config check " + path}
	}
	var in *bufio.Reader
	if isTerminal(c.InOrStdin()) {
		in = bufio.NewReader(c.InOrStdin())
	}
	if err := f.complete(in, c.ErrOrStderr()); err != nil {
		return err
	}
	if f.greet && f.baud == 0 {
		f.findBaud(c.Context(), c.ErrOrStderr())
	}
	text, err := f.text()
	if err != nil {
		return err
	}
	if _, err := config.Parse(path, text); err != nil {
		return err
	}
	out, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, fs.ErrNotExist) {
		return &failure{status: exitUsage, err: fmt.Errorf("cannot write a configuration: %w", err), hint: "name a file in a folder that you may write, or use sudo"}
	}
	if err != nil {
		return fmt.Errorf("cannot write a configuration: %w", err)
	}
	_, err = out.Write(text)
	if err = errors.Join(err, out.Sync(), out.Close()); err != nil {
		return fmt.Errorf("cannot write a configuration: %w", errors.Join(err, os.Remove(path)))
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), `%s is written. Before the machine moves by it:
  - read it through: every key is explained in it. What depends on your machine and was
    not asked for: head, lift and park, belt.loop_length_mm with the seam, the ceilings
    of temperature, hold limits, and whom to call (alerts)
  - try the sign of the belt by hand with 5 mm: with the wrong one parts run under the head
  - check it, with the board: beltwarden config check %s --connect
  - have a switch for the mains within reach, a smoke alarm, and someone awake near
`, path, path)
	return err
}

// text is the configuration as it is written.
func (f *newFlags) text() ([]byte, error) {
	values := map[string]string{"machine.name": f.name, "machine.port": f.port, "machine.belt_axis": f.axis, "machine.forward": f.forward,
		"machine.baud": strconv.Itoa(f.baud), "belt.to_drop_mm": strconv.FormatFloat(f.toDropMM, 'f', -1, 64),
		// The example's own machine has these; a new one may not.
		"belt.loop_length_mm": "0", "belt.seam_width_mm": "0"}
	if f.name == "" {
		values["machine.name"] = "machine"
	}
	if f.baud == 0 {
		values["machine.baud"] = "250000"
	}
	values["machine.homed_axes"], values["machine.lift_axis"] = "[X, Z]", "Z"
	if f.axis == "Z" {
		values["machine.homed_axes"], values["machine.lift_axis"] = "[X, Y]", "Y"
	}
	if f.dir != "" {
		dir, err := filepath.Abs(f.dir)
		if err != nil {
			return nil, err
		}
		values["ledger.path"], values["ledger.backup_folder"] = filepath.Join(dir, "ledger.db"), filepath.Join(dir, "backups")
		values["server.socket"], values["server.jobs_folder"] = filepath.Join(dir, "beltwarden.sock"), filepath.Join(dir, "jobs")
	}
	return config.Fresh(values)
}

// question is something that has to be known and cannot be found.
type question struct {
	flag, ask string
	have      func() bool
	take      func(word string) string // returns what is wrong with it
}

// complete asks for what was not given; without a terminal it says all that is missing.
func (f *newFlags) complete(in *bufio.Reader, out io.Writer) error {
	oneOf := func(to *string, words ...string) func(string) string {
		return func(word string) string {
			for _, w := range words {
				if strings.EqualFold(word, w) || "+"+word == w {
					*to = w
					return ""
				}
			}
			return "write one of: " + strings.Join(words, ", ")
		}
	}
	if f.port == "" {
		f.findPort(out)
	}
	questions := []question{
		{"--port", "Device path of the board", func() bool { return f.port != "" }, func(w string) string { f.port = w; return "" }},
		{"--belt-axis", "Which axis is the belt? Y for an upright gantry, Z for a tilted one", func() bool { return f.axis != "" }, oneOf(&f.axis, "Y", "Z")},
		{"--forward", "Does a move of it by a positive length carry parts to the drop edge (+1), or away from it (-1)?", func() bool { return f.forward != "" }, oneOf(&f.forward, "+1", "-1")},
		{"--to-drop-mm", "How far is it along the belt from the nozzle to the edge where parts fall, in mm?", func() bool { return f.toDropMM > 0 },
			func(w string) string {
				v, err := strconv.ParseFloat(strings.TrimSuffix(w, "mm"), 64)
				if err != nil || v <= 0 {
					return "write a length in mm, like 220"
				}
				f.toDropMM = v
				return ""
			}},
	}
	for _, c := range []struct {
		flag string
		word *string
		take func(string) string
	}{{"--belt-axis", &f.axis, oneOf(&f.axis, "Y", "Z")}, {"--forward", &f.forward, oneOf(&f.forward, "+1", "-1")}} {
		if *c.word != "" {
			if wrong := c.take(*c.word); wrong != "" {
				return usagef("cannot write a configuration: %s %s: %s", c.flag, *c.word, wrong)
			}
		}
	}
	var missing []string
	for _, q := range questions {
		for !q.have() {
			if in == nil {
				missing = append(missing, q.flag+": "+q.ask)
				break
			}
			word, err := askWord(in, out, q.ask+": ")
			if err != nil {
				return err
			}
			if wrong := q.take(word); wrong != "" {
				fmt.Fprintln(out, "  "+wrong)
			}
		}
	}
	if len(missing) > 0 {
		return usageMany("write a configuration", missing)
	}
	return nil
}

// findPort takes the only port that there is, by its stable name, and lists several.
func (f *newFlags) findPort(out io.Writer) {
	list, err := serialio.Ports()
	if err != nil || len(list) == 0 {
		fmt.Fprintln(out, "No serial port is there: plug the machine in and switch it on, or give its path.")
		return
	}
	if len(list) > 1 {
		fmt.Fprintln(out, "Serial ports:")
	}
	for _, p := range list {
		name := p.Path
		if len(p.StableNames) > 0 {
			name = p.StableNames[0]
		}
		if len(list) == 1 {
			f.port = name
			fmt.Fprintln(out, "The port is "+name+", the only one there is.")
			return
		}
		fmt.Fprintf(out, "  %s %s\n", name, p.Product)
	}
}

// rates are tried in this order: those that boards are mostly built for.
var rates = []int{250000, 115200}

// findBaud greets the board at the usual rates. That none answers is told, and no reason
// not to write the file.
func (f *newFlags) findBaud(ctx context.Context, out io.Writer) {
	for _, rate := range rates {
		f.baud = rate
		text, err := f.text()
		if err != nil {
			break
		}
		cfg, err := config.Parse("", text)
		if err != nil {
			break
		}
		fmt.Fprintf(out, "Greeting the board at %d bit/s...\n", rate)
		b, err := greet(ctx, cfg)
		if err == nil {
			fmt.Fprintln(out, "The board answers: "+b.describe()+".")
			return
		}
		fmt.Fprintln(out, "  "+err.Error())
		var open *serialio.OpenError
		if errors.As(err, &open) {
			break // no rate helps
		}
	}
	f.baud = 0
	fmt.Fprintln(out, "The board was not greeted: the rate in the file is a guess. Put it right before the first start.")
}
