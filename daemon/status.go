package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
)

func newStatus() *cobra.Command {
	var watch, full bool
	c := &cobra.Command{
		Use: "status", Short: "Show when to be at the machine next, why, and what to do",
		Args: args(0, 0, ""),
	}
	c.Flags().BoolVar(&full, "full", false, "show all that is known, not only what fits a small terminal")
	c.Flags().BoolVar(&watch, "watch", false, "show it again every second, until Ctrl-C")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		show := func(ctx context.Context, d *client.Client) error {
			s, err := d.Status(ctx)
			if err != nil {
				return err
			}
			if *asJSON {
				return printJSON(c.OutOrStdout(), s)
			}
			st := style(c.OutOrStdout())
			if full {
				return printLines(c.OutOrStdout(), wording.FullStatus(s, st))
			}
			if st.Height > 0 {
				st.Height = max(1, st.Height-2) // for the command above and the prompt below
			}
			return printLines(c.OutOrStdout(), wording.Status(s, st))
		}
		if !watch {
			return withDaemon(c, show)
		}
		switch {
		case *asJSON:
			return usagef("cannot watch in JSON: leave out --watch or --json")
		case full:
			return usagef("cannot watch all that is known: it is longer than a terminal; leave out --watch or --full")
		}
		d, err := newClient(c)
		if err != nil {
			return err
		}
		return watchDaemon(c.Context(), d, c.OutOrStdout())
	}
	return c
}

// watchDaemon shows the status until the context ends. A daemon that was there
// once and goes away is waited for: it may be restarting.
func watchDaemon(ctx context.Context, d *client.Client, w io.Writer) error {
	defer d.Close()
	seen := false
	v := newView(w)
	defer v.close()
	return every(ctx, time.Second, func() error {
		s, err := d.Status(ctx)
		var gone *client.UnreachableError
		switch {
		case ctx.Err() != nil:
			return nil
		case err == nil:
			seen = true
			return v.show(s, nil)
		case seen && errors.As(err, &gone):
			return v.say("the daemon does not answer: " + gone.Err.Error())
		}
		return err
	})
}

// every calls do now and then once an interval, until it fails or the context ends.
func every(ctx context.Context, interval time.Duration, do func() error) error {
	tick := time.NewTicker(interval)
	defer tick.Stop()
	for {
		if err := do(); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// view shows a changing status: on a terminal as a screen drawn over itself, else
// as a line for each change.
type view struct {
	w      io.Writer
	live   bool
	before *supervisor.Snapshot
	said   string
}

func newView(w io.Writer) *view {
	v := &view{w: w, live: style(w).Terminal}
	if v.live {
		fmt.Fprint(raw(w), "\x1b[?25l\x1b[2J") // no cursor, clean screen
	}
	return v
}

// show draws a status, and on a terminal what is given below it: texts, which are
// wrapped, and commands, which begin with two spaces and are left whole so that
// they can be copied.
func (v *view) show(s *supervisor.Snapshot, below []string) error {
	v.said = ""
	if !v.live {
		line := wording.Change(v.before, s)
		v.before = s
		if line == "" {
			return nil
		}
		_, err := fmt.Fprintln(v.w, line)
		return err
	}
	st := style(v.w)
	st.Live, st.Guided = true, len(below) > 0
	var tail []string
	rows := 0
	for _, text := range below {
		lines := []string{text}
		if !strings.HasPrefix(text, "  ") {
			lines = st.Note(text)
		}
		for _, l := range lines {
			rows += 1 + max(0, len(l)-1)/max(1, st.Width)
		}
		tail = append(tail, lines...)
	}
	if st.Height > 0 {
		st.Height = max(3, st.Height-rows)
	}
	return v.draw(append(wording.Status(s, st), tail...))
}

// say shows one text instead of a status, once.
func (v *view) say(text string) error {
	if v.said == text {
		return nil
	}
	v.said = text
	if v.live {
		return v.draw([]string{text})
	}
	_, err := fmt.Fprintln(v.w, text)
	return err
}

// draw writes lines over what stood there, in one write so that nothing flickers.
func (v *view) draw(lines []string) error {
	st := style(v.w)
	for i, l := range lines {
		lines[i] = guarded(l, st)
	}
	var b strings.Builder
	b.WriteString("\x1b[H" + strings.Join(lines, "\x1b[K\r\n") + "\x1b[J")
	_, err := io.WriteString(raw(v.w), b.String())
	return err
}

// close gives the terminal its cursor back; what follows is written below.
func (v *view) close() {
	if v.live {
		v.live = false
		fmt.Fprint(raw(v.w), "\x1b[?25h\r\n")
	}
}
