package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// maxErrors bounds how many mistakes of one file are kept and printed.
const maxErrors = 200

// maxValue is the number of characters of a value that a message repeats.
const maxValue = 60

// Error is one mistake in a configuration file.
type Error struct {
	File    string
	Line    int    // 1 for the first line; 0 when the mistake has no place in the file
	Column  int    // 1 for the first character of the line
	Field   string // dotted key, such as machine.baud; empty for the file as a whole
	Value   string // what was written, shortened; empty where it may hold a secret
	Problem string // what is wrong
	Remedy  string // what to do about it
	Err     error  // the cause, when the system gave one
}

// Error returns "file:line:column: field: problem; remedy", without the parts
// that are empty.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", e.Line, e.Column)
	}
	b.WriteString(": ")
	if e.Field != "" {
		b.WriteString(e.Field + ": ")
	}
	b.WriteString(e.Problem)
	if e.Remedy != "" {
		b.WriteString("; " + e.Remedy)
	}
	return b.String()
}

// Unwrap returns the cause, so that a caller can ask for fs.ErrNotExist.
func (e *Error) Unwrap() error { return e.Err }

// Errors are all mistakes of one file, in the order of its lines.
type Errors []*Error

// Error returns one mistake a line.
func (es Errors) Error() string {
	lines := make([]string, len(es))
	for i, e := range es {
		lines[i] = e.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap returns each mistake, so that errors.As finds an [*Error].
func (es Errors) Unwrap() []error {
	all := make([]error, len(es))
	for i, e := range es {
		all[i] = e
	}
	return all
}

// sorted returns the errors in the order of the file, at most maxErrors of
// them, the last one saying how many more there were.
func (es Errors) sorted(dropped int) Errors {
	slices.SortStableFunc(es, func(a, b *Error) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	if dropped > 0 {
		es = append(es, &Error{
			File:    es[0].File,
			Problem: fmt.Sprintf("has %d more mistakes", dropped),
			Remedy:  "correct these first",
		})
	}
	return es
}

// quoteShort returns a value fit for a message: one line, printable, bounded.
func quoteShort(v string) string {
	if utf8.RuneCountInString(v) > maxValue {
		v = string([]rune(v)[:maxValue]) + "..."
	}
	q := fmt.Sprintf("%q", v)
	return q[1 : len(q)-1]
}
