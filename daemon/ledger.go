package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor/ledger"
)

func newLedger() *cobra.Command {
	c := group(&cobra.Command{
		Use:   "ledger",
		Short: "Check, back up, restore or export the file that keeps the count",
		Long: "check, backup and export read the file beside a running daemon and never change it.\n" +
			"restore replaces it with a backup while no daemon runs. Its path is ledger.path in\n" +
			"the configuration.",
	})
	c.AddCommand(newLedgerCheck(), newLedgerBackup(), newLedgerRestore(), newLedgerExport())
	return c
}

// readLedger opens a ledger for reading, hands it over, and closes it.
func readLedger(path string, do func(l *ledger.Ledger) error) (err error) {
	l, err := ledger.Open(path, ledger.Options{ReadOnly: true})
	if err != nil {
		return ledgerFailure(err)
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	return do(l)
}

// ledgerFailure gives every error of a ledger command the ledger's status, also
// one of the file system that has no class of its own.
func ledgerFailure(err error) error {
	if err == nil {
		return nil
	}
	hint := ""
	if errors.Is(err, ledger.ErrNotFound) {
		hint = "give the path in ledger.path of the configuration"
	}
	return &failure{status: exitLedger, err: err, hint: hint}
}

func newLedgerCheck() *cobra.Command {
	c := &cobra.Command{Use: "check PATH", Short: "Read the whole ledger and list what is wrong with it", Args: args(1, 1, "one path")}
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		return readLedger(args[0], func(l *ledger.Ledger) error {
			problems, err := l.Check(c.Context())
			if err != nil {
				return ledgerFailure(err)
			}
			if *asJSON {
				if problems == nil {
					problems = []string{}
				}
				if err := printJSON(c.OutOrStdout(), map[string]any{"path": args[0], "problems": problems}); err != nil {
					return err
				}
			}
			if len(problems) > 0 {
				return &failure{status: exitLedger, err: fmt.Errorf("cannot trust ledger %s: %s", args[0], wording.Count(len(problems), "problem")),
					details: problems, hint: "stop the daemon, move the file aside and restore the last backup"}
			}
			if *asJSON {
				return nil
			}
			summary, err := ledgerSummary(c.Context(), l)
			if err != nil {
				return ledgerFailure(err)
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: no faults found\n%s", args[0], summary)
			return err
		})
	}
	return c
}

// ledgerSummary says in a few lines what a ledger holds.
func ledgerSummary(ctx context.Context, l *ledger.Ledger) (string, error) {
	lots, err := l.Lots(ctx)
	if err != nil {
		return "", err
	}
	var made, good, scrap int
	for _, lot := range lots {
		n, err := l.Counts(ctx, lot.ID)
		if err != nil {
			return "", err
		}
		made, good, scrap = made+n.Made, good+n.Good, scrap+n.Scrap
	}
	b, err := l.Belt(ctx)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%s, %s made: %d good, %d not looked at, %d scrap; belt travel %.3f m\n",
		wording.Count(len(lots), "lot"), wording.Count(made, "part"), good, made-good-scrap, scrap, b.TravelMM/1000), nil
}

func newLedgerBackup() *cobra.Command {
	return &cobra.Command{
		Use: "backup PATH TO", Short: "Write a checked copy to a new file, also while the daemon runs",
		Args: args(2, 2, "the path of the ledger and that of the new file"),
		RunE: func(c *cobra.Command, args []string) error {
			return readLedger(args[0], func(l *ledger.Ledger) error {
				if err := l.Backup(c.Context(), args[1]); err != nil {
					return ledgerFailure(err)
				}
				_, err := fmt.Fprintf(c.OutOrStdout(), "%s is a complete copy of %s\n", args[1], args[0])
				return err
			})
		},
	}
}

func newLedgerExport() *cobra.Command {
	return &cobra.Command{
		Use: "export PATH", Short: "Print every row as JSON lines", Args: args(1, 1, "one path"),
		RunE: func(c *cobra.Command, args []string) error {
			return readLedger(args[0], func(l *ledger.Ledger) error {
				return exportFailure(l.Export(c.Context(), c.OutOrStdout()))
			})
		},
	}
}

// exportFailure leaves an error of the output alone: the ledger is not to blame.
func exportFailure(err error) error {
	if err == nil || errors.Is(err, io.ErrClosedPipe) {
		return err
	}
	return ledgerFailure(err)
}
