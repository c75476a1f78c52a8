package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
)

func newConfigSecret() *cobra.Command {
	return &cobra.Command{
		Use: "secret FILE", Short: "Make a secret that other computers must give, in a new file", Args: args(1, 1, "one file"),
		Long: "secret writes 26 random letters and digits (130 bits) to a new file that only its\n" +
			"owner can read. Name it as server.secret_file for those who operate the machine, or\n" +
			"as server.look_secret_file for those who only look. The daemon's user must own it:\n" +
			"run this as that user, or change the owner with chown.",
		RunE: func(c *cobra.Command, args []string) error {
			path, err := filepath.Abs(args[0])
			if err != nil {
				return err
			}
			f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
			if errors.Is(err, fs.ErrExist) {
				return &failure{status: exitUsage, err: fmt.Errorf("cannot make a secret: %s is there already", path),
					hint: "name another file, or remove it and give everybody the new secret"}
			}
			if err != nil {
				return &failure{status: exitUsage, err: fmt.Errorf("cannot make a secret: %w", err), hint: "name a file in a folder that you may write"}
			}
			_, err = fmt.Fprintln(f, rand.Text())
			if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
				return fmt.Errorf("cannot make a secret: %w", errors.Join(err, os.Remove(path)))
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s holds a new secret; name it in the configuration:\n\nserver:\n  secret_file: %s\n", path, path)
			return err
		},
	}
}
