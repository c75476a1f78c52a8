package table

import (
	"fmt"
	"strings"
)

// maxListed bounds the mistakes kept of one file. Their number is always given.
const maxListed = 50

// Error is one mistake in a file.
type Error struct {
	File    string
	Line    int    // from 1; 0 for the file as a whole
	Column  int    // in bytes from 1
	Field   string // name of the column; empty for a row or the file as a whole
	Problem string
	Remedy  string
}

// Error implements error.
func (e Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", e.Line, e.Column)
	}
	b.WriteString(": ")
	if e.Field != "" {
		b.WriteString(e.Field + " ")
	}
	return b.String() + e.Problem + ": " + e.Remedy
}

// Errors are all mistakes of one file.
type Errors struct {
	List  []Error // the first 50
	Count int
}

// Error lists the mistakes, one a line.
func (e Errors) Error() string { return strings.Join(e.Lines(), "\n") }

// Lines returns one line for each mistake in the list, and one for those beyond it.
func (e Errors) Lines() []string {
	var out []string
	for _, m := range e.List {
		out = append(out, m.Error())
	}
	if more := e.Count - len(e.List); more > 0 {
		out = append(out, fmt.Sprintf("and %d more", more))
	}
	return out
}

func (p *reader) wrong(line, column int, field, problem, remedy string) {
	p.errs.Count++
	if len(p.errs.List) < maxListed {
		p.errs.List = append(p.errs.List, Error{File: p.file, Line: line, Column: column, Field: field, Problem: problem, Remedy: remedy})
	}
}
