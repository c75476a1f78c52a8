package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"beltwarden/config"
	"beltwarden/serialio"
)

// rates are tried in this order: those that boards are mostly built for first.
var rates = []int{250000, 115200, 500000, 1000000}

// meetWithin is how long a board may say nothing at a rate before the next one is tried.
// A sound board answers a question in less than a second once it has started.
const meetWithin = 15 * time.Second

// meet greets the board, with leave, at the usual rates or the one that was given. That
// none answers is printed, and no reason not to write the file.
func (f *newFlags) meet(ctx context.Context, in *bufio.Reader, out io.Writer) error {
	if !f.greet {
		return nil
	}
	if in != nil {
		fmt.Fprintf(out, "Next, beltwarden can greet the board over %s.\nMany boards restart when the port is opened, which ends a print in progress.\n", f.port)
		ok, err := agreed(ctx, in, out, "Open it?")
		if err != nil {
			return err
		}
		if !ok {
			fmt.Fprintln(out, "The board was not greeted. Correct machine.baud in the file before the first start.")
			return nil
		}
	}
	try, given := rates, f.baud
	if given != 0 {
		try = []int{given}
	}
	for _, f.baud = range try {
		fmt.Fprintf(out, "Greeting the board at %d bit/s...\n", f.baud)
		b, err := f.greeting(ctx)
		if err == nil {
			fmt.Fprintln(out, "The board answers: "+b.describe()+".")
			return nil
		}
		if ctx.Err() != nil {
			return unwritten("interrupted")
		}
		fmt.Fprintln(out, "  "+err.Error())
		var open *serialio.OpenError
		if errors.As(err, &open) {
			fmt.Fprintln(out, "  "+open.Help())
			break // no rate helps
		}
	}
	f.baud = given
	if given == 0 {
		fmt.Fprintln(out, "The board was not greeted: the rate in the file is a guess. Correct machine.baud before the first start.")
	}
	return nil
}

// greeting greets at the rate that is set.
func (f *newFlags) greeting(ctx context.Context) (*boardAnswer, error) {
	text, err := f.text()
	if err != nil {
		return nil, err
	}
	cfg, err := config.Parse("the answers", text)
	if err != nil {
		return nil, err
	}
	cfg.Machine.ReplyLimit, cfg.Machine.SilenceLimit = meetWithin/3, meetWithin
	return greet(ctx, cfg)
}
