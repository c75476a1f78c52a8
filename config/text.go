package config

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"gopkg.in/yaml.v3"
)

// checkText finds bytes that cannot be text, and those that the YAML parser refuses with a message
// that does not help.
func checkText(data []byte) *Error {
	if len(data) > MaxBytes {
		return &Error{Problem: fmt.Sprintf("is larger than %d bytes", MaxBytes), Remedy: "name the configuration file, not a job or a ledger"}
	}
	for i, line := range lines(data) {
		if e := checkLine(line); e != nil {
			e.Line = i + 1
			return e
		}
	}
	return nil
}

// checkLine looks for bytes that cannot be in a configuration.
func checkLine(line []byte) *Error {
	column := 0
	indent := true
	for rest := line; len(rest) > 0; {
		c, size := utf8.DecodeRune(rest)
		rest = rest[size:]
		column++
		switch {
		case c == utf8.RuneError && size == 1:
			return &Error{Column: column, Problem: "is not UTF-8 text", Remedy: "save the file as UTF-8"}
		case c == 0:
			return &Error{Column: column, Problem: "a zero byte stands here", Remedy: "save the file as plain UTF-8 text; it may be UTF-16 or damaged"}
		case c == '\t' && indent && len(bytes.TrimSpace(rest)) > 0 && bytes.TrimSpace(rest)[0] != '#':
			return &Error{Column: column, Problem: "a tab is used to indent", Remedy: "indent with spaces"}
		case c == '\u00a0' && indent:
			return &Error{Column: column, Problem: "a no-break space is used to indent, as text copied from a page has it", Remedy: "indent with plain spaces"}
		case c < ' ' && c != '\t', c == 0x7f:
			return &Error{Column: column, Problem: fmt.Sprintf("the control character %#02x stands here", c), Remedy: "remove it"}
		}
		if c != ' ' && c != '\t' && c != '\ufeff' {
			indent = false
		}
	}
	return nil
}

// lines splits at the line ends of any system, as the YAML reader does: line
// feed, carriage return, or both.
func lines(data []byte) [][]byte {
	var out [][]byte
	for len(data) > 0 {
		i := bytes.IndexAny(data, "\r\n")
		if i < 0 {
			return append(out, data)
		}
		out = append(out, data[:i])
		if data[i] == '\r' && i+1 < len(data) && data[i+1] == '\n' {
			i++
		}
		data = data[i+1:]
	}
	return out
}

// yamlAdvice says what to do about a message of the YAML parser, found by a part of it.
var yamlAdvice = []struct{ part, problem, remedy string }{
	{"expected key", "this line does not fit the lines above it", "begin the keys of a group in one column, and close each quotation mark and bracket"},
	{"mapping values are not allowed", "a colon stands where none can be", "put quotation marks around a value that holds a colon, and check the indentation"},
	{"could not find expected ':'", "there is no colon after the key", "write `key: value`"},
	{"unexpected end of stream", "a quotation mark is not closed", "close it"},
	{"expected ',' or", "a bracket is not closed", "close it, and put commas between the items"},
	{"cannot start any token", "a value cannot begin with this character", "put quotation marks around the value"},
	{"'-' indicator", "this line does not fit the list above it", "begin each item of the list with a dash in the same column"},
	{"unknown anchor", "a reference (*name) is used", "write the value itself"},
	{"max depth", "the nesting is far too deep", "begin with what `beltwarden config example` prints"},
	{"expected <document start>", "this line is not of a configuration in YAML", "write each group as `machine:` on a line of its own, and its keys below as `key: value`, indented"},
	{"unknown escape", "a backslash begins no known escape", "use single quotation marks, or double the backslash"},
}

// syntaxError returns the YAML parser's message with the place of the mistake. The line that the
// parser gives is that of the enclosing construct, often far above, so the shortest beginning of
// the file with the same message is searched for. The message does not repeat the line, since it may
// hold a secret.
func syntaxError(data []byte, err error) *Error {
	text := yamlText(err)
	all := lines(data)
	low, high := 1, len(all)
	for low < high {
		middle := (low + high) / 2
		beginning := append(bytes.Join(all[:middle], []byte("\n")), '\n')
		if yamlText(unmarshal(beginning)) == text {
			high = middle
		} else {
			low = middle + 1
		}
	}
	e := &Error{Line: low, Column: 1, Problem: "cannot be read as YAML: " + text, Remedy: "compare with what `beltwarden config example` prints", Err: err}
	if low <= len(all) {
		line := all[low-1]
		e.Column = 1 + utf8.RuneCount(line) - utf8.RuneCount(bytes.TrimLeft(line, " "))
	}
	for _, a := range yamlAdvice {
		if strings.Contains(text, a.part) {
			e.Problem, e.Remedy = a.problem, a.remedy
			break
		}
	}
	return e
}

// unmarshal reads data as document does, and returns what stopped it.
func unmarshal(data []byte) error {
	dec := yaml.NewDecoder(bytes.NewReader(data))
	for range 2 {
		var n yaml.Node
		if err := dec.Decode(&n); err != nil {
			return err
		}
	}
	return errors.New("a second document")
}

// yamlText returns the parser's message without its line number.
func yamlText(err error) string {
	text := strings.TrimPrefix(err.Error(), "yaml: ")
	if rest, found := strings.CutPrefix(text, "line "); found {
		if _, after, found := strings.Cut(rest, ": "); found {
			return after
		}
	}
	return text
}
