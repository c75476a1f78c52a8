// Command beltwarden makes small lots on a filament printer whose bed is a belt,
// and keeps the count. This package holds the commands, one file each: they read
// flags, call the rest of the program and print. Exit statuses are in exit.go.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"
)

func main() { os.Exit(execute(os.Args[1:])) }

// execute runs one command and returns the exit status of the process.
func execute(args []string) int {
	ctx, stop := interruptible(context.Background())
	defer stop()
	root := newRoot()
	root.SetArgs(args)
	c, err := root.ExecuteContextC(ctx)
	return tell(root.ErrOrStderr(), pointed(c, err))
}

// interruptible returns a context that ends with the first signal to end, so that
// heaters are switched off in order. Another one, a second or more later, ends the
// process at once; what comes sooner is the same request, sent to the process and to
// its group. A terminal that is closed counts as a signal to end: its default
// would leave the heaters on.
func interruptible(parent context.Context) (context.Context, func()) {
	ctx, cancel := context.WithCancel(parent)
	signals := make(chan os.Signal, 2)
	finished := make(chan struct{})
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	go func() {
		select {
		case <-signals:
			cancel()
		case <-finished:
			return
		}
		first := time.Now()
		for {
			select {
			case <-signals:
				if time.Since(first) < time.Second {
					continue
				}
				fmt.Fprintln(os.Stderr, "error: ended at once by a second signal")
				fmt.Fprintln(os.Stderr, "hint: if a machine was connected, its heaters may be on: look at it, and if in doubt switch it off at the mains")
				os.Exit(exitUnexpected)
			case <-finished:
				return
			}
		}
	}()
	return ctx, func() {
		signal.Stop(signals)
		close(finished)
		cancel()
	}
}
