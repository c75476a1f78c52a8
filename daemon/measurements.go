package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"beltwarden/daemon/table"
	"beltwarden/daemon/wording"
)

// readTable reads a CSV file with the given columns.
func readTable(path string, columns ...table.Column) (*table.Table, error) {
	f, err := os.Open(path)
	if err != nil {
		hint := "check its name"
		if errors.Is(err, fs.ErrPermission) {
			hint = "let this user read it"
		}
		return nil, &failure{status: exitTable, err: fmt.Errorf("cannot read %s: %w", path, withoutPath(err)), hint: hint}
	}
	defer f.Close() // only read from: nothing can be lost
	t, err := table.Read(f, path, columns...)
	var mistakes table.Errors
	switch {
	case errors.As(err, &mistakes):
		return nil, &failure{status: exitTable, err: fmt.Errorf("cannot use %s: %s", path, wording.Count(mistakes.Count, "mistake")), details: mistakes.Lines(),
			hint: "correct the file; nothing was computed from it"}
	case err != nil:
		return nil, &failure{status: exitTable, err: fmt.Errorf("cannot read %s: %w", path, withoutPath(errors.Unwrap(err))), hint: "give a file of rows with numbers"}
	}
	return t, nil
}
