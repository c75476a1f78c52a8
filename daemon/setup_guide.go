package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// setupFlags are the flags of setup, and what the guide has found.
type setupFlags struct {
	config, by string

	in     *bufio.Reader
	out    io.Writer
	client *client.Client
	values map[string]string // of the configuration, by key
}

// guided asks on the terminal for everything.
func (f *setupFlags) guided(c *cobra.Command) (err error) {
	if !isTerminal(c.InOrStdin()) {
		return &failure{status: exitUsage, err: errors.New("cannot ask what you see: the input is not a terminal"),
			hint: "use: beltwarden setup move --mm 5 --yes, and then: beltwarden setup found --direction drop_edge|away|still|unknown"}
	}
	if f.config != "" {
		if _, err := config.Load(f.config); err != nil {
			return err
		}
	}
	if f.client, err = newClient(c); err != nil {
		return err
	}
	defer f.client.Close()
	return f.guide(c.Context(), bufio.NewReader(c.InOrStdin()), c.ErrOrStderr())
}

// guide leads through the steps.
func (f *setupFlags) guide(ctx context.Context, in *bufio.Reader, out io.Writer) error {
	f.in, f.out, f.values = in, out, map[string]string{}
	fmt.Fprint(out, setupCaution+"\n"+beltDrawing+"\n")
	s, err := f.client.Status(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "The machine is %s. Answer n where you do not know.\n\n", s.State)
	sign, err := f.findDirection(ctx)
	if err == nil && sign != 0 {
		if err = f.findDrop(ctx, sign); err == nil {
			err = f.compareLength(ctx, sign)
		}
	}
	if err != nil {
		return err
	}
	return f.keepFound(ctx)
}

// findDirection moves the belt by 5 mm until somebody has seen where to. The result is 0 where that is not known.
func (f *setupFlags) findDirection(ctx context.Context) (sign int, err error) {
	fmt.Fprintln(f.out, "1. Which way is forward? The belt moves 5 mm, slowly.")
	for {
		word, err := f.ask(ctx, "Hands off, head lifted, belt empty? Type yes to move it, n to leave the direction unknown: ", "yes", "n")
		if err != nil {
			return 0, err
		}
		answer := "unknown"
		if word == "yes" {
			if _, err := f.move(ctx, 5, false); err != nil {
				fmt.Fprintln(f.out, "  "+err.Error())
				continue
			}
			word, err := f.ask(ctx, "Where did it carry the belt: d to the drop edge, a away from it, s it stood still, n not known: ", "d", "a", "s", "n")
			if err != nil {
				return 0, err
			}
			answer = map[string]string{"d": "drop_edge", "a": "away", "s": "still", "n": "unknown"}[word]
		}
		if err := f.found(ctx, func(q *client.SetupFoundRequest) { q.Direction = answer }); err != nil {
			return 0, err
		}
		switch answer {
		case "drop_edge":
			f.values["machine.forward"] = "+1"
			return 1, nil
		case "away":
			f.values["machine.forward"] = "-1"
			return -1, nil
		case "unknown":
			return 0, nil
		}
	}
}

// findDrop moves a mark until it falls.
func (f *setupFlags) findDrop(ctx context.Context, sign int) error {
	fmt.Fprintln(f.out, "\n2. How far is the drop edge? Lay a stick or a mark across the belt, right under the nozzle.\n"+
		"   Each step that you type moves it that far: 50 to begin with, 20, and 5 near the edge.")
	mark := true
	for {
		word, err := f.ask(ctx, "Hands off? Step of 5, 20 or 50 mm, f when the mark has fallen, m the mark lies under the nozzle again, n not known: ", "5", "20", "50", "f", "m", "n")
		if err != nil {
			return err
		}
		switch word {
		case "n":
			return f.found(ctx, func(q *client.SetupFoundRequest) { q.Drop = "unknown" })
		case "m":
			mark = true
		case "f":
			s, err := f.client.Status(ctx)
			if err == nil {
				err = f.found(ctx, func(q *client.SetupFoundRequest) { q.Drop = "fell" })
			}
			if err == nil && s.Setup != nil && s.Setup.FromMarkMM != nil {
				f.values["belt.to_drop_mm"] = strconv.FormatFloat(max(*s.Setup.FromMarkMM, -*s.Setup.FromMarkMM), 'f', -1, 64)
				return nil
			}
			if err == nil {
				return nil
			}
			fmt.Fprintln(f.out, "  "+err.Error())
		default:
			mm, _ := strconv.ParseFloat(word, 64)
			if _, err := f.move(ctx, mm*float64(sign), mark); err != nil {
				fmt.Fprintln(f.out, "  "+err.Error())
				mark = true
				continue
			}
			mark = false
		}
	}
}

// compareLength moves the belt by 100 mm and compares it with a rule.
func (f *setupFlags) compareLength(ctx context.Context, sign int) error {
	fmt.Fprintln(f.out, "\n3. Is a commanded millimetre one? Lay a rule beside the belt and mark the belt. It moves 100 mm in one move.")
	for {
		word, err := f.ask(ctx, "Hands off? Type yes to move it, n to leave it unmeasured: ", "yes", "n")
		if err != nil || word == "n" {
			return err
		}
		if _, err := f.move(ctx, 100*float64(sign), false); err != nil {
			fmt.Fprintln(f.out, "  "+err.Error())
			continue
		}
		for {
			word, err := f.line(ctx, "How far has the mark moved, in mm? n for not known: ")
			if err != nil {
				return err
			}
			if strings.EqualFold(word, "n") {
				return nil
			}
			mm, err := strconv.ParseFloat(strings.TrimSuffix(word, "mm"), 64)
			if err == nil {
				err = f.found(ctx, func(q *client.SetupFoundRequest) { q.MeasuredMM = mm })
			}
			if err == nil {
				fmt.Fprintln(f.out, "  The scale is set by: beltwarden scale, from several measurements.")
				return nil
			}
			fmt.Fprintln(f.out, "  "+err.Error())
		}
	}
}

// keepFound prints what was found, and writes it into the configuration where that was given and somebody agrees.
func (f *setupFlags) keepFound(ctx context.Context) error {
	if len(f.values) == 0 {
		_, err := fmt.Fprintln(f.out, "\nNothing was found; the configuration stays as it is.")
		return err
	}
	fmt.Fprintln(f.out, "\nThe configuration must say:")
	for _, key := range []string{"machine.forward", "belt.to_drop_mm"} {
		if v, ok := f.values[key]; ok {
			fmt.Fprintf(f.out, "  %s: %s\n", key, v)
		}
	}
	const restart = "Restart the daemon then: it reads its configuration when it starts.\n"
	if f.config == "" {
		_, err := fmt.Fprint(f.out, "Write it there. "+restart)
		return err
	}
	word, err := f.ask(ctx, "Write it into "+f.config+" (yes or no): ", "yes", "no")
	if err != nil || word == "no" {
		return err
	}
	old, err := changeConfig(f.config, f.values)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(f.out, "%s is written; as it was: %s. %s", f.config, old, restart)
	return err
}

// changeConfig writes values into a configuration, and keeps the file as it was beside it, under the name that it returns.
func changeConfig(path string, values map[string]string) (kept string, err error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("cannot change the configuration: %w", err)
	}
	changed, err := config.Change(text, values)
	if err != nil {
		return "", err
	}
	if _, err := config.Parse(path, changed); err != nil {
		return "", err
	}
	kept = path + ".before-setup"
	if err := errors.Join(keep(kept, text), keep(path, changed)); err != nil {
		return "", fmt.Errorf("cannot change the configuration: %w", err)
	}
	return kept, nil
}

// move asks the daemon for a move and prints the answer. Ctrl-C during it stops the machine.
func (f *setupFlags) move(ctx context.Context, mm float64, fromMark bool) (string, error) {
	q := client.SetupMoveRequest{By: f.by}
	q.MM, q.FromMark, q.Clear = mm, fromMark, true
	r, err := f.client.SetupMove(ctx, q)
	if ctx.Err() != nil {
		_, stopErr := f.client.Command(context.WithoutCancel(ctx), client.CommandRequest{Command: supervisor.Abort, By: f.by})
		return "", errors.Join(context.Cause(ctx), stopErr)
	}
	if err != nil {
		return "", err
	}
	fmt.Fprintln(f.out, "  "+r.Text)
	return r.Text, nil
}

// found tells the daemon what was seen and prints what follows.
func (f *setupFlags) found(ctx context.Context, say func(*client.SetupFoundRequest)) error {
	var q client.SetupFoundRequest
	say(&q)
	q.By = f.by
	r, err := f.client.SetupFound(ctx, q)
	if err == nil {
		fmt.Fprintln(f.out, "  "+r.Text)
	}
	return err
}

// ask asks until one of the words comes.
func (f *setupFlags) ask(ctx context.Context, question string, words ...string) (string, error) {
	for {
		word, err := f.line(ctx, question)
		if err != nil {
			return "", err
		}
		for _, w := range words {
			if strings.EqualFold(word, w) {
				return w, nil
			}
		}
		fmt.Fprintln(f.out, "  write one of: "+strings.Join(words, ", "))
	}
}

// line asks once.
func (f *setupFlags) line(ctx context.Context, question string) (string, error) {
	word, err := askLine(ctx, f.in, f.out, question)
	if err != nil {
		return "", &failure{status: exitUsage, err: errors.New("cannot go on with setting up: the input has ended"), hint: "nothing moves by itself; run the same command again"}
	}
	return word, nil
}
