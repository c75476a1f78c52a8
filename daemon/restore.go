package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"beltwarden/supervisor/ledger"
)

func newLedgerRestore() *cobra.Command {
	return &cobra.Command{
		Use: "restore PATH BACKUP", Short: "Put a backup in the ledger's place, and move what is there aside",
		Long: "restore looks a backup through and puts a copy of it in the ledger's place. What is\n" +
			"there now, damaged or whole, is moved aside and kept. Stop the daemon first. What was\n" +
			"made since the backup is not in it: count the parts, and correct the lot's count by a\n" +
			"check; clear the belt, since where it stands is not known any more.",
		Args: args(2, 2, "the path of the ledger and that of the backup"),
		RunE: func(c *cobra.Command, args []string) error {
			aside, err := ledger.Restore(c.Context(), args[1], args[0])
			if err != nil {
				return ledgerFailure(err)
			}
			text := args[0] + " is a copy of " + args[1] + " now\n"
			if aside != "" {
				text += "what was there is kept as " + aside + "\n"
			}
			if _, err := fmt.Fprint(c.OutOrStdout(), text); err != nil {
				return err
			}
			return readLedger(args[0], func(l *ledger.Ledger) error {
				summary, err := ledgerSummary(c.Context(), l)
				if err != nil {
					return ledgerFailure(err)
				}
				_, err = fmt.Fprint(c.OutOrStdout(), summary)
				return err
			})
		},
	}
}
