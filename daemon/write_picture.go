package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// writePicture puts text into a file, whole or not at all: a reader never sees
// half of it. "-" is the output.
func writePicture(out io.Writer, path, text string) error {
	if path == "-" {
		_, err := io.WriteString(out, text)
		return err
	}
	err := replaceFile(path, text)
	if err == nil {
		return nil
	}
	f := &failure{status: exitUnexpected, err: fmt.Errorf("cannot write picture %s: %w", path, err)}
	switch {
	case errors.Is(err, errDirectory):
		f.hint = "give the name of a file in it"
	case errors.Is(err, fs.ErrNotExist):
		f.hint = "create its directory first"
	case errors.Is(err, fs.ErrPermission):
		f.hint = "choose a directory that this user may write to, or - for the output"
	}
	return f
}

var errDirectory = errors.New("it is a directory")

// replaceFile writes beside the file and renames. A link stays a link; a device or
// a pipe is written to, since renaming would do away with it.
func replaceFile(path, text string) (err error) {
	if to, err := filepath.EvalSymlinks(path); err == nil {
		path = to
	}
	mode := fs.FileMode(0o666) // less what the user's mask takes away
	switch was, err := os.Stat(path); {
	case err == nil && was.IsDir():
		return errDirectory
	case err == nil && !was.Mode().IsRegular():
		return withoutPath(os.WriteFile(path, []byte(text), mode))
	case err == nil:
		mode = was.Mode().Perm()
	}
	part := filepath.Join(filepath.Dir(path), ".picture-"+rand.Text()+".part")
	w, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return withoutPath(err)
	}
	defer func() {
		if err != nil {
			os.Remove(part)
		}
	}()
	_, err = io.WriteString(w, text)
	if err == nil {
		err = w.Sync()
	}
	if cerr := w.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(part, path)
	}
	return withoutPath(err)
}

// withoutPath drops the name of the temporary file, which means nothing to the user.
func withoutPath(err error) error {
	var pe *fs.PathError
	var le *os.LinkError
	switch {
	case errors.As(err, &pe):
		return pe.Err
	case errors.As(err, &le):
		return le.Err
	}
	return err
}
