package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"gopkg.in/yaml.v3"
)

// MaxBytes is the size of the largest file that is read. A real one has a few
// kilobytes; more is the wrong file.
const MaxBytes = 1 << 20

// Load reads and checks the file. When anything is wrong the error is an
// [Errors] with every mistake found, and the settings are nil.
func Load(path string) (*Settings, error) {
	data, err := read(path)
	if err != nil {
		return nil, Errors{err}
	}
	defer clear(data) // it may hold credentials
	return Parse(path, data)
}

// read returns the bytes of a regular file, at most one more than MaxBytes.
func read(path string) ([]byte, *Error) {
	fail := func(err error, problem, remedy string) *Error {
		return &Error{File: path, Problem: problem, Remedy: remedy, Err: err}
	}
	if path == "" {
		return nil, &Error{File: "configuration", Problem: "no file is named", Remedy: "give its path"}
	}
	info, err := os.Stat(path)
	if err == nil && info.IsDir() {
		return nil, fail(nil, "is a directory", "name the file in it")
	}
	// A pipe or a device could block for ever or never end.
	if err == nil && !info.Mode().IsRegular() {
		return nil, fail(nil, "is not a regular file", "copy its content into a file")
	}
	var data []byte
	if err == nil {
		var f *os.File
		if f, err = os.Open(path); err == nil {
			defer f.Close()
			data, err = io.ReadAll(io.LimitReader(f, MaxBytes+1))
		}
	}
	var pe *fs.PathError
	cause := err
	if errors.As(err, &pe) {
		cause = pe.Err
	}
	switch {
	case err == nil:
		return data, nil
	case errors.Is(err, fs.ErrNotExist):
		return nil, fail(err, "does not exist", "write one with: beltwarden config new "+path)
	case errors.Is(err, fs.ErrPermission):
		return nil, fail(err, "cannot be read: "+cause.Error(), "let the user that runs the daemon read it and its directories")
	default:
		return nil, fail(err, "cannot be read: "+cause.Error(), "check the path and the disk")
	}
}

// Parse checks the content of a file. The name is used in messages only. When
// anything is wrong the error is an [Errors] with every mistake found, and the
// settings are nil.
func Parse(name string, data []byte) (*Settings, error) {
	r := newReader(name)
	if root := r.document(data); root != nil {
		r.root(root)
		r.finish()
	}
	if len(r.errs) > 0 {
		return nil, r.errs.sorted(r.dropped)
	}
	return r.settings, nil
}

// reader holds what is known while one file is read.
type reader struct {
	file          string
	settings      *Settings
	written       map[string]*yaml.Node // value node of each key that was written
	bad           map[string]bool       // keys whose value is wrong
	groups        map[string]*yaml.Node // key node of each group that was written
	receiverLines map[string]int        // line of each name of a receiver of alerts
	errs          Errors
	dropped       int
}

func newReader(file string) *reader {
	return &reader{file: file, settings: Default(), written: map[string]*yaml.Node{}, bad: map[string]bool{}, groups: map[string]*yaml.Node{}}
}

// report keeps a mistake, unless there are too many already.
func (r *reader) report(e *Error) {
	e.File = r.file
	if len(r.errs) >= maxErrors {
		r.dropped++
		return
	}
	r.errs = append(r.errs, e)
}

// at reports a mistake at a node.
func (r *reader) at(n *yaml.Node, field, problem, remedy string) {
	e := &Error{Line: n.Line, Column: n.Column, Field: field, Problem: problem, Remedy: remedy}
	if n.Kind == yaml.ScalarNode && !secret(field) {
		e.Value = quoteShort(n.Value)
	}
	r.report(e)
}

// document returns the root mapping of the only document, or nil after having
// reported why there is none.
func (r *reader) document(data []byte) *yaml.Node {
	if e := checkText(data); e != nil {
		r.report(e)
		return nil
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var doc, second yaml.Node
	err := dec.Decode(&doc)
	if errors.Is(err, io.EOF) {
		return &yaml.Node{Kind: yaml.MappingNode, Line: 1, Column: 1}
	}
	if err == nil {
		err = dec.Decode(&second)
	}
	switch {
	case err == nil:
		r.report(&Error{Line: second.Line, Column: second.Column,
			Problem: "a second document begins here", Remedy: "remove the line of three dashes or points above it"})
	case !errors.Is(err, io.EOF):
		r.report(syntaxError(data, err))
		return nil
	}
	root := doc.Content[0]
	if root.Kind == yaml.ScalarNode && root.ShortTag() == "!!null" {
		return &yaml.Node{Kind: yaml.MappingNode, Line: 1, Column: 1}
	}
	if root.Kind != yaml.MappingNode {
		r.at(root, "", fmt.Sprintf("the file holds %s instead of groups of settings", describeNode(root)),
			"begin with what `beltwarden config example` prints")
		return nil
	}
	return root
}
