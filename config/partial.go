package config

import (
	"bytes"
	"errors"
	"io"
	"maps"
	"slices"
	"strings"

	"gopkg.in/yaml.v3"
)

// maxPieces bounds how often a broken file is tried in parts.
const maxPieces = 1000

// LoadPartial reads as much of a file as it can, for commands that must act in spite of mistakes:
// that call somebody, or switch heaters off. A setting that cannot be read keeps its default; a list
// item that cannot be read is left out. The error is an [Errors] with every mistake found; the
// settings are nil if the file cannot be opened or read at all.
func LoadPartial(path string) (*Settings, error) {
	data, err := read(path)
	if err != nil {
		return nil, Errors{err}
	}
	return parsePartial(path, data)
}

func parsePartial(name string, data []byte) (*Settings, error) {
	r := newReader(name)
	root := r.document(data)
	if len(r.errs) > 0 && len(data) <= MaxBytes {
		root = r.salvage(data)
	}
	if root != nil {
		r.root(root)
		r.finish()
	}
	if len(r.errs) > 0 {
		return r.settings, r.errs.sorted(r.dropped)
	}
	return r.settings, nil
}

// Touches reports whether a mistake is in a group, or may be: one without a field can be anywhere.
func (es Errors) Touches(group string) bool {
	return slices.ContainsFunc(es, func(e *Error) bool { return e.Field == "" || e.Field == group || strings.HasPrefix(e.Field, group+".") })
}

// salvage returns what can be parsed of a file that is no YAML document as a whole: a group as a
// whole, else its keys one by one, else the items of a list one by one. The mistakes of what is left
// out replace the mistake of the file.
func (r *reader) salvage(data []byte) *yaml.Node {
	p := salvager{file: &reader{file: r.file}, lines: lines(data)}
	group := ""
	for i, line := range p.lines {
		if word, _, ok := strings.Cut(string(line), ":"); ok && slices.Contains(groupNames, word) {
			group = word
		}
		switch e := checkLine(line); {
		case e != nil:
			e.Line, e.Field = i+1, group
			p.file.report(e)
			p.lines[i] = nil
		case isDocumentMarker(line):
			p.lines[i] = nil
		case p.next(i, i+1) == i && indentation(line) == 0 && !bytes.Contains(line, []byte(":")) && !closesBracket(line) && line[0] != '-':
			p.file.report(&Error{Line: i + 1, Column: 1, Field: group, Problem: "a line of no group stands here", Remedy: "remove it, or write `key: value`, indented"})
			p.lines[i] = nil
		}
	}
	p.kept = make([]bool, len(p.lines))
	p.take(nil, 0, len(p.lines))
	if len(p.file.errs) > 0 {
		r.errs, r.dropped = p.file.errs, p.file.dropped
	}
	return newReader(r.file).document(p.text(p.kept))
}

// salvager puts a document together from the lines of a file that can be parsed.
type salvager struct {
	file  *reader // its mistakes
	lines [][]byte
	kept  []bool
	tries int
}

// text returns the lines that are kept, with an empty one in place of each other, so that they keep
// their numbers.
func (p *salvager) text(kept []bool) []byte {
	var b bytes.Buffer
	for i, line := range p.lines {
		if kept[i] {
			b.Write(line)
		}
		b.WriteByte('\n')
	}
	return b.Bytes()
}

// parses reports whether the lines that are kept are one YAML document with keys.
func (p *salvager) parses(kept []bool) bool {
	var b bytes.Buffer
	for i, line := range p.lines {
		if kept[i] {
			b.Write(line)
			b.WriteByte('\n')
		}
	}
	dec := yaml.NewDecoder(&b)
	var doc yaml.Node
	if err := dec.Decode(&doc); err != nil {
		return errors.Is(err, io.EOF)
	}
	root := doc.Content[0]
	return (root.Kind == yaml.MappingNode || root.ShortTag() == "!!null") && errors.Is(dec.Decode(&doc), io.EOF)
}

// take keeps what can be parsed of the blocks in lines from to to-1, which are nested below the lines
// heads. Blocks begin in the least column in which two lines begin, so that one line out of place
// does not cost the others.
func (p *salvager) take(heads []int, from, to int) {
	var begins []int
	in := map[int]int{}
	for i := p.next(from, to); i < to; i = p.next(i+1, to) {
		if n := len(begins); n == 0 || indentation(p.lines[i]) <= indentation(p.lines[begins[n-1]]) && !closesBracket(p.lines[i]) {
			begins = append(begins, i)
			in[indentation(p.lines[i])]++
		}
	}
	columns := slices.Sorted(maps.Keys(in))
	column := 0
	if i := slices.IndexFunc(columns, func(c int) bool { return in[c] > 1 }); len(columns) > 0 {
		column = columns[max(0, i)]
	}
	for k, begin := range begins {
		end := to
		if k+1 < len(begins) {
			end = begins[k+1]
		}
		if indentation(p.lines[begin]) != column {
			p.file.report(&Error{Line: begin + 1, Column: indentation(p.lines[begin]) + 1, Field: p.group(heads, begin),
				Problem: "this line does not fit the lines above it", Remedy: "begin the keys of a group in one column"})
			continue
		}
		p.block(heads, begin, end)
	}
}

// group returns the group that a block belongs to, "" where it is none that is known.
func (p *salvager) group(heads []int, begin int) string {
	if len(heads) > 0 {
		begin = heads[0]
	}
	if word, _, ok := strings.Cut(string(p.lines[begin]), ":"); ok && slices.Contains(groupNames, word) {
		return word
	}
	return ""
}

// block keeps a block if it can be parsed, or else what can be parsed below its first line.
func (p *salvager) block(heads []int, from, to int) {
	kept := slices.Clone(p.kept)
	for _, i := range heads {
		kept[i] = true
	}
	for i := from; i < to; i++ {
		kept[i] = true
	}
	p.tries++
	if p.parses(kept) {
		p.kept = kept
		return
	}
	if below := p.next(from+1, to); below < to && p.tries < maxPieces {
		before := len(p.file.errs)
		p.take(append(slices.Clone(heads), from), below, to)
		if len(p.file.errs) > before {
			return
		}
	}
	if len(p.file.errs) >= maxErrors { // finding the place of a mistake takes long, and nobody sees it
		p.file.dropped++
		return
	}
	alone := newReader(p.file.file)
	alone.document(p.text(kept))
	for _, e := range alone.errs {
		e.Field = p.group(heads, from)
		p.file.report(e)
	}
}

// next returns the first line from one on that holds more than a comment, or to.
func (p *salvager) next(from, to int) int {
	for from < to {
		if line := bytes.TrimSpace(p.lines[from]); len(line) > 0 && line[0] != '#' {
			break
		}
		from++
	}
	return from
}

func indentation(line []byte) int { return len(line) - len(bytes.TrimLeft(line, " ")) }

// closesBracket reports whether a line ends a bracket that was opened above it.
func closesBracket(line []byte) bool {
	return bytes.IndexByte([]byte("]}"), bytes.TrimSpace(line)[0]) >= 0
}

// isDocumentMarker reports whether a line begins or ends a document.
func isDocumentMarker(line []byte) bool {
	line = bytes.TrimRight(line, " \t")
	return bytes.Equal(line, []byte("---")) || bytes.Equal(line, []byte("..."))
}
