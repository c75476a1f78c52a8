package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// guided asks on the terminal for everything.
func (f *trialFlags) guided(c *cobra.Command) error {
	if !isTerminal(c.InOrStdin()) {
		return &failure{status: exitUsage, err: errors.New("cannot ask for the offsets: the input is not a terminal"),
			hint: "use: beltwarden trial begin --before-mm MM --yes, and then: beltwarden trial end --after-mm MM"}
	}
	in, out := bufio.NewReader(c.InOrStdin()), c.ErrOrStderr()
	fmt.Fprintln(out, trialCaution)
	var err error
	if f.beforeMM, err = askMM(in, out, "Offset of the belt now, mm, + to the right: "); err != nil {
		return err
	}
	word, err := askWord(in, out, "Are hands, tools and parts clear of the belt, and the head off it? Type yes: ")
	if err != nil {
		return err
	}
	if word != "yes" {
		return &failure{status: exitRefused, err: errors.New("cannot begin the trial: you did not say yes, and nothing has moved")}
	}
	q, err := f.beginRequest(true)
	if err != nil {
		return err
	}
	if err := withDaemon(c, func(ctx context.Context, d *client.Client) error {
		result, err := d.BeginTrial(ctx, q)
		if err == nil {
			fmt.Fprintln(out, result.Text+"; to stop it: beltwarden stop")
		}
		return err
	}); err != nil {
		return err
	}
	if err := f.await(c, out); err != nil {
		return err
	}
	if f.afterMM, err = askMM(in, out, "The belt has stopped. Offset of the belt now, mm, + to the right: "); err != nil {
		return err
	}
	if supervisor.OffsetsAlike(f.beforeMM, f.afterMM) {
		word, err := askWord(in, out, "The two offsets are equal. Did you see a mark on the belt move? Type yes or no: ")
		if err != nil {
			return err
		}
		f.moved = word == "yes"
	}
	return f.end(c)
}

// isTerminal reports whether somebody can answer at it.
func isTerminal(r io.Reader) bool {
	f, ok := r.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// await returns when the belt stands, showing how far it is.
func (f *trialFlags) await(c *cobra.Command, out io.Writer) error {
	d, err := newClient(c)
	if err != nil {
		return err
	}
	defer d.Close()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for shown := -1.0; ; {
		s, err := d.Status(c.Context())
		switch {
		case err != nil:
			return err
		case s.Trial == nil:
			return &failure{status: exitRefused, err: fmt.Errorf("cannot judge the alignment: the trial was interrupted; the machine is %s: %s", s.State, s.Cause.Text)}
		case s.Trial.Ran && s.State == supervisor.Idle:
			return nil
		}
		if m := math.Floor(s.Trial.DoneMM / 1000); m > shown {
			shown = m
			fmt.Fprintf(out, "%.0f of %.1f m\n", m, s.Trial.RunMM/1000)
		}
		select {
		case <-tick.C:
		case <-c.Context().Done():
			return context.Cause(c.Context())
		}
	}
}

// askMM asks until a number comes.
func askMM(in *bufio.Reader, out io.Writer, question string) (float64, error) {
	for {
		word, err := askWord(in, out, question)
		if err != nil {
			return 0, err
		}
		mm, err := strconv.ParseFloat(word, 64)
		if err == nil && !math.IsNaN(mm) && !math.IsInf(mm, 0) {
			return mm, nil
		}
		fmt.Fprintf(out, "%q is not a number of millimetres, such as -0.5\n", word)
	}
}

func askWord(in *bufio.Reader, out io.Writer, question string) (string, error) {
	fmt.Fprint(out, question)
	line, err := in.ReadString('\n')
	if err != nil {
		return "", errors.New("cannot go on with the trial: the input has ended; see: beltwarden status, and beltwarden trial end")
	}
	return strings.TrimSpace(line), nil
}
