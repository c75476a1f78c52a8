package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"beltwarden/config"
)

// newFlags are what a first configuration must hold, as given on the command line.
type newFlags struct {
	port, axis, forward, name string
	baud                      int
	toDropMM                  float64
	dropUnknown               bool // somebody has said that it is not known
	dir                       string
	greet                     bool
}

func newConfigNew() *cobra.Command {
	var f newFlags
	c := &cobra.Command{
		Use: "new FILE", Short: "Write a first configuration, asking for what it needs", Args: args(1, 1, "one file"),
		Long: "new guides you through a first configuration. It looks for serial ports, greets the board\n" +
			"to find its baud rate, asks for what cannot be found, and writes a file with every\n" +
			"key explained. It heats and moves nothing. Greeting restarts many boards: do not\n" +
			"run it while one is printing.\n\n" +
			"It does not ask for what flags give.",
		Example: "  beltwarden config new machine.yaml\n" +
			"  beltwarden config new machine.yaml --port /dev/serial/by-id/usb-board-if00 --belt-axis Y --forward +1 --to-drop-mm 220",
	}
	fl := c.Flags()
	fl.StringVar(&f.port, "port", "", "device path of the board")
	fl.IntVar(&f.baud, "baud", 0, "bit/s on the line (default: found by greeting the board, or 250000)")
	fl.StringVar(&f.axis, "belt-axis", "", "the axis that is the belt: Y or Z")
	fl.StringVar(&f.forward, "forward", "", "sign of a move that carries parts to the drop edge: +1, -1 or unknown")
	fl.Float64Var(&f.toDropMM, "to-drop-mm", 0, "from the nozzle to the edge where parts fall, mm; 0 for not known")
	fl.StringVar(&f.name, "name", "", "name of the machine (default: machine)")
	fl.StringVar(&f.dir, "dir", "", "folder for ledger, jobs and socket, to try it without a service (default: those of the service)")
	fl.BoolVar(&f.greet, "greet", true, "greet the board")
	c.RunE = func(c *cobra.Command, args []string) error {
		f.dropUnknown = c.Flags().Changed("to-drop-mm") && f.toDropMM == 0
		var in *bufio.Reader
		if isTerminal(c.InOrStdin()) {
			in = bufio.NewReader(c.InOrStdin())
		}
		return f.write(c, in, args[0])
	}
	return c
}

// write asks at in, which is nil without a terminal, for what was not given, and
// writes the file.
func (f *newFlags) write(c *cobra.Command, in *bufio.Reader, path string) error {
	if !blank(path) {
		return &failure{status: exitUsage, err: fmt.Errorf("cannot write a configuration: %s is there already", path), hint: "name another file, or edit that one and check it with: beltwarden config check " + path}
	}
	if info, err := os.Stat(filepath.Dir(path)); err != nil || !info.IsDir() {
		return &failure{status: exitUsage, err: fmt.Errorf("cannot write a configuration: there is no folder %s", filepath.Dir(path)), hint: "make it, or name a file in another"}
	}
	if !mayWrite(path) { // known before anything is asked
		return &failure{status: exitUsage, err: fmt.Errorf("cannot write a configuration: you may not write %s", path), hint: "name a file in a folder that you may write, or use sudo"}
	}
	fmt.Fprint(c.ErrOrStderr(), cautions+"\n")
	if err := f.complete(c.Context(), in, c.ErrOrStderr()); err != nil {
		return err
	}
	if err := f.meet(c.Context(), in, c.ErrOrStderr()); err != nil {
		return err
	}
	text, err := f.text()
	if err != nil {
		return err
	}
	cfg, err := config.Parse(path, text)
	if err != nil {
		return err
	}
	if err := keep(path, text); err != nil {
		return fmt.Errorf("cannot write a configuration: %w", err)
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), `%[1]s is written. Before you let the machine move:
  - read it through: it explains every key. What depends on your machine and was
    not asked for: head, lift and park, belt.loop_length_mm with the seam, the ceilings
    of temperature, hold limits, and whom to call (alerts)
%[3]s  - measure: how far the belt may drift (belt.limit_mm), the longest move that the board
    accepts (machine.travel_limit_mm), a part's length (beltwarden scale)
  - check it, with the board: beltwarden config check %[1]s --connect
  - have a switch for the mains within reach, a smoke alarm, and someone awake near
Then start it: %[2]s
`, path, startWord(path, cfg), f.stillUnknown(path))
	return err
}

// stillUnknown says what follows from each answer that is not known, and how to find it.
func (f *newFlags) stillUnknown(path string) (text string) {
	if f.forward == "unknown" {
		text += "  - the belt's direction is not known: the daemon makes no part and runs no trial before\n" +
			"    you have found it; start it, then: beltwarden setup --config " + path + "\n"
	} else {
		text += "  - try the belt's sign with 5 mm (beltwarden setup): with the wrong one parts run under the head\n"
	}
	if f.toDropMM == 0 {
		text += "  - the drop edge is not known: when parts fall cannot be foreseen, and none is run over\n" +
			"    it at the end of a lot; beltwarden setup finds it\n"
	}
	return text
}

// startWord is what starts the daemon by this file.
func startWord(path string, cfg *config.Settings) string {
	if path == defaultConfig {
		return "sudo systemctl restart beltwarden"
	}
	word := "beltwarden serve --config " + path
	if flag := daemonFlag(cfg); flag != "" {
		word += "\nthen, in another terminal: beltwarden " + flag + "status"
	}
	return word
}

// keep writes the file whole or not at all. Made by root in a folder of another group,
// as the service's is, it may be read by that group: the daemon is not root.
func keep(path string, text []byte) error {
	out, err := os.CreateTemp(filepath.Dir(path), ".beltwarden-*")
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(out.Name()) }() // gone once it has its name
	_, err = out.Write(text)
	err = errors.Join(err, out.Chmod(0o640))
	var folder unix.Stat_t
	if os.Geteuid() == 0 && unix.Stat(filepath.Dir(path), &folder) == nil {
		err = errors.Join(err, out.Chown(-1, int(folder.Gid)))
	}
	if err = errors.Join(err, out.Sync(), out.Close()); err != nil {
		return err
	}
	return os.Rename(out.Name(), path)
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
	return config.FromExample(values)
}

// question is something that has to be known and cannot be found.
type question struct {
	flag, ask string
	have      func() bool
	take      func(word string) string // returns what is wrong with it
}

// What unknown means where nothing can be written without an answer.
const (
	portUnknown = "without it the board cannot be reached. Unplug the machine's cable and run: beltwarden ports; plug it in and run it again: the port that is new is it"
	axisUnknown = "without it nothing may move. Look at the machine: if the head rises straight up from the belt the belt is Y, if it rises along a tilted gantry the belt is Z; " +
		"the printer's manual or its sliced jobs say it too"
)

// unknownIs answers unknown with what to look at, since nothing is made up for it.
func unknownIs(help string, take func(word string) string) func(word string) string {
	return func(word string) string {
		if strings.EqualFold(word, "unknown") {
			return help
		}
		return take(word)
	}
}

// complete asks for what was not given; without a terminal it says all that is missing.
func (f *newFlags) complete(ctx context.Context, in *bufio.Reader, out io.Writer) error {
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
	var listed []string
	if f.port == "" {
		listed = f.findPort(out)
	}
	questions := []question{
		{"--port", "Device path of the board", func() bool { return f.port != "" }, unknownIs(portUnknown, func(w string) string { return f.takePort(w, listed) })},
		{"--belt-axis", "Which axis is the belt? Y for an upright gantry, Z for a tilted one", func() bool { return f.axis != "" }, unknownIs(axisUnknown, oneOf(&f.axis, "Y", "Z"))},
		{"--forward", "Does a positive move carry parts to the drop edge (+1) or away from it (-1)?", func() bool { return f.forward != "" }, oneOf(&f.forward, "+1", "-1", "unknown")},
		{"--to-drop-mm", "How far is it along the belt from the nozzle to the edge where parts fall, in mm?", func() bool { return f.toDropMM > 0 || f.dropUnknown },
			func(w string) string {
				if strings.EqualFold(w, "unknown") {
					f.dropUnknown = true
					return ""
				}
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
	}{{"--belt-axis", &f.axis, oneOf(&f.axis, "Y", "Z")}, {"--forward", &f.forward, oneOf(&f.forward, "+1", "-1", "unknown")}} {
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
			word, err := askLine(ctx, in, out, q.ask+" (unknown if you do not know): ")
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
