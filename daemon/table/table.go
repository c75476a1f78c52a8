// Package table reads numbers from CSV files as spreadsheets write them: a header
// of column names, then one row for each measurement. It is strict, as a wrong
// number read without a word is worse than none: what is no plain number is refused
// with its line and column, and every such cell is reported, not only the first.
package table

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Bounds of a file. A cell takes 8 bytes of memory, and its row 4 or 8 more.
const (
	MaxRows  = 1_000_000
	MaxBytes = 64 << 20
)

// maxCell bounds a number: no length or count of one machine comes near it.
const maxCell = 1e9

// Column is one that a file may have. An optional one may be absent as a whole, but
// has a number in every row when it is there.
type Column struct {
	Name     string
	Optional bool
}

// Table is what a file holds.
type Table struct {
	File   string
	Rows   int
	Line   []int                // of each row, from 1
	Values map[string][]float64 // by column; absent for an optional column that the file has not
}

// Read reads a file whose name stands in errors. Columns may be in any order, and
// separated by comma, semicolon or tab, as the header shows; where it is not by
// comma, a decimal comma is read too. Rows without any entry are passed over. Mistakes
// in the contents are of type Errors.
func Read(r io.Reader, file string, columns ...Column) (*Table, error) {
	bounded := &io.LimitedReader{R: r, N: MaxBytes + 1}
	in := bufio.NewReaderSize(bounded, 64<<10)
	separator, err := sniff(in)
	if err != nil {
		return nil, Errors{List: []Error{{File: file, Line: 1, Column: 1, Problem: err.Error(), Remedy: "save it as CSV in UTF-8"}}, Count: 1}
	}
	rows := csv.NewReader(in)
	rows.Comma, rows.FieldsPerRecord, rows.ReuseRecord = separator, -1, true
	p := &reader{file: file, rows: rows, columns: columns, table: &Table{File: file, Values: map[string][]float64{}}}
	if err := p.read(); err != nil {
		return nil, fmt.Errorf("cannot read %s: %w", file, err)
	}
	if bounded.N == 0 {
		p.wrong(0, 0, "", fmt.Sprintf("is longer than %d MiB", MaxBytes>>20), "split it")
	}
	if p.errs.Count > 0 {
		return nil, p.errs
	}
	return p.table, nil
}

// sniff passes over a byte order mark and finds the separator in the first line.
func sniff(in *bufio.Reader) (rune, error) {
	head, _ := in.Peek(4096) // an error shows again at the first read
	if bytes.HasPrefix(head, []byte("\xff\xfe")) || bytes.HasPrefix(head, []byte("\xfe\xff")) {
		return 0, errors.New("is UTF-16 text")
	}
	if mark := []byte("\xef\xbb\xbf"); bytes.HasPrefix(head, mark) {
		_, _ = in.Discard(len(mark)) // was peeked, so it is there
		head = head[len(mark):]
	}
	if bytes.IndexByte(head, 0) >= 0 {
		return 0, errors.New("is no text: it holds zero bytes")
	}
	first, _, _ := bytes.Cut(bytes.TrimLeft(head, "\r\n"), []byte("\n"))
	for _, s := range ";\t" {
		if bytes.ContainsRune(first, s) {
			return s, nil
		}
	}
	return ',', nil
}

// reader is one file being read.
type reader struct {
	file    string
	rows    *csv.Reader
	columns []Column
	header  []string // column names by position; nil before the first row
	table   *Table
	errs    Errors
}

// read takes all rows. Its error is one of reading; mistakes are collected.
func (p *reader) read() error {
	for {
		record, err := p.rows.Read()
		var broken *csv.ParseError
		switch {
		case err == io.EOF:
			if p.header == nil && p.errs.Count == 0 {
				p.wrong(1, 1, "", "is empty", "begin it with the line "+p.wanted())
			} else if p.table.Rows == 0 && p.errs.Count == 0 {
				p.wrong(0, 0, "", "has a header and no rows", "add the measurements below it")
			}
			return nil
		case errors.As(err, &broken):
			p.wrong(broken.Line, broken.Column, "", "has a quotation mark out of place", `write the number alone, or quote the whole cell: "20.1"`)
			if p.header == nil {
				return nil
			}
			continue
		case err != nil:
			return err
		}
		blank := !slices.ContainsFunc(record, func(cell string) bool { return strings.TrimSpace(cell) != "" })
		switch {
		case blank:
		case p.header == nil:
			if !p.head(record) {
				return nil // without columns every row would be wrong
			}
		case p.table.Rows == MaxRows:
			line, _ := p.rows.FieldPos(0)
			p.wrong(line, 1, "", fmt.Sprintf("is row %d: no more than %d are read", MaxRows+1, MaxRows), "split the file")
			return nil
		default:
			p.row(record)
		}
	}
}

// head reads the header and says whether rows can be read by it.
func (p *reader) head(record []string) bool {
	before := p.errs.Count
	for i, cell := range record {
		line, column := p.rows.FieldPos(i)
		name := strings.TrimSpace(cell)
		known := slices.ContainsFunc(p.columns, func(c Column) bool { return c.Name == name })
		switch {
		case known && slices.Contains(p.header, name):
			p.wrong(line, column, name, "stands twice in the header", "remove one of the two columns")
		case !known && i == 0 && looksNumeric(name):
			p.wrong(line, column, "", fmt.Sprintf("is %s where the header should be", quote(name)), "begin the file with the line "+p.wanted())
			return false
		case !known:
			p.wrong(line, column, "", fmt.Sprintf("names a column %s that is not known here", quote(name)), "known are: "+p.wanted())
		}
		p.header = append(p.header, name)
	}
	for _, c := range p.columns {
		switch {
		case slices.Contains(p.header, c.Name):
			p.table.Values[c.Name] = []float64{}
		case !c.Optional:
			p.wrong(1, 1, c.Name, "is not in the header", "begin the file with the line "+p.wanted())
		}
	}
	return p.errs.Count == before
}

// row reads the numbers of one row.
func (p *reader) row(record []string) {
	line, _ := p.rows.FieldPos(0)
	if len(record) != len(p.header) {
		remedy := "give every row as many cells as the header"
		if p.rows.Comma == ',' && len(record) > len(p.header) {
			remedy = "write 20.1 and not 20,1, or separate the columns by semicolons"
		}
		p.wrong(line, 1, "", fmt.Sprintf("has %d cells, and the header %d", len(record), len(p.header)), remedy)
		return
	}
	for i, cell := range record {
		value, problem, remedy := number(strings.TrimSpace(cell), p.rows.Comma != ',')
		if problem != "" {
			line, column := p.rows.FieldPos(i)
			p.wrong(line, column, p.header[i], problem, remedy)
		}
		p.table.Values[p.header[i]] = append(p.table.Values[p.header[i]], value)
	}
	p.table.Line = append(p.table.Line, line)
	p.table.Rows++
}

// wanted is the header as it should be.
func (p *reader) wanted() string {
	var b strings.Builder
	for i, c := range p.columns {
		name := c.Name
		if i > 0 {
			name = "," + name
		}
		if c.Optional {
			name = "[" + name + "]"
		}
		b.WriteString(name)
	}
	return b.String()
}

func looksNumeric(cell string) bool { return strings.ContainsAny(cell, "0123456789") }

// number reads a cell, or says what is wrong with it and what to do.
func number(cell string, decimalComma bool) (value float64, problem, remedy string) {
	text := cell
	if decimalComma && strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		text = strings.Replace(text, ",", ".", 1)
	}
	plain := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("+-.0123456789eE", r) }) < 0
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case cell == "":
		return 0, "is empty", "give a number, or remove the row"
	case plain && (err == nil || errors.Is(err, strconv.ErrRange)) && math.Abs(v) > maxCell:
		return 0, fmt.Sprintf("is %s, beyond %g", quote(cell), maxCell), "check the number"
	case plain && err == nil:
		return v, "", ""
	case strings.Contains(cell, ","):
		return 0, fmt.Sprintf("is %s", quote(cell)), "write a decimal point, and nothing between thousands"
	case strings.ContainsRune(cell, '\u2212'):
		return 0, fmt.Sprintf("is %s, with a minus sign that is no hyphen", quote(cell)), "write -"
	case cell[0] >= '0' && cell[0] <= '9':
		return 0, fmt.Sprintf("is %s, no plain number", quote(cell)), "write the number alone, without a unit: 20.1"
	}
	return 0, fmt.Sprintf("is %s, no number", quote(cell)), "give a number, or remove the row"
}

// quote shows a cell in an error, shortened, with nothing in it that a terminal obeys.
func quote(cell string) string {
	const most = 24
	if utf8.RuneCountInString(cell) > most {
		cell = string([]rune(cell)[:most]) + "..."
	}
	return strconv.Quote(cell)
}
