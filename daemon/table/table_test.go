package table_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"beltwarden/daemon/table"
)

var (
	sizes  = []table.Column{{Name: "value"}}
	checks = []table.Column{{Name: "travel_mm"}, {Name: "offset_mm"}, {Name: "advance_mm", Optional: true}}
)

func TestReadsWhatSpreadsheetsWrite(t *testing.T) {
	for _, c := range []struct {
		name, text string
		columns    []table.Column
		column     string
		want       []float64
		lines      []int
	}{
		{"plain", "value\n20.1\n-3\n+.5\n2e1\n", sizes, "value", []float64{20.1, -3, 0.5, 20}, []int{2, 3, 4, 5}},
		{"no newline at the end", "value\n20.1", sizes, "value", []float64{20.1}, []int{2}},
		{"byte order mark, CRLF, empty lines, spaces", "\xef\xbb\xbfvalue\r\n\r\n 20.1 \r\n   \r\n20.2\r\n\r\n", sizes, "value", []float64{20.1, 20.2}, []int{3, 5}},
		{"quoted", "\"value\"\n\"20.1\"\n", sizes, "value", []float64{20.1}, []int{2}},
		{"semicolons and decimal commas", "travel_mm;offset_mm\n1000;0,25\n2000;0.5\n", checks, "offset_mm", []float64{0.25, 0.5}, []int{2, 3}},
		{"quoted decimal comma", "offset_mm;travel_mm\n\"0,25\";1000\n", checks, "offset_mm", []float64{0.25}, []int{2}},
		{"tabs", "travel_mm\toffset_mm\n1000\t0,25\n", checks, "offset_mm", []float64{0.25}, []int{2}},
		{"another order, and the optional column", "advance_mm,offset_mm,travel_mm\n7,0.5,1000\n,,\n8,0.6,2000\n", checks, "advance_mm", []float64{7, 8}, []int{2, 4}},
	} {
		got, err := table.Read(iotest.OneByteReader(strings.NewReader(c.text)), "f.csv", c.columns...)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if !slices.Equal(got.Values[c.column], c.want) || !slices.Equal(got.Line, c.lines) || got.Rows != len(c.want) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	got, err := table.Read(strings.NewReader("travel_mm,offset_mm\n1,2\n"), "f.csv", checks...)
	if _, is := got.Values["advance_mm"]; err != nil || is {
		t.Errorf("an absent optional column: %+v, %v", got, err)
	}
}

func TestRefusesWithPlaceAndRemedy(t *testing.T) {
	for _, c := range []struct {
		name, text string
		columns    []table.Column
		want       []string
	}{
		{"empty", "", sizes, []string{"f.csv:1:1: is empty: begin it with the line value"}},
		{"header alone", "value\n\n", sizes, []string{"f.csv: has a header and no rows: add the measurements below it"}},
		{"no header", "20.1\n20.2\n", sizes, []string{`f.csv:1:1: is "20.1" where the header should be: begin the file with the line value`}},
		{"wrong header", "length\n20.1\n", sizes, []string{`f.csv:1:1: names a column "length" that is not known here: known are: value`, "f.csv:1:1: value is not in the header: begin the file with the line value"}},
		{"missing and unknown", "travel_mm,advance_m\n1,2\n", checks, []string{`f.csv:1:11: names a column "advance_m" that`, "offset_mm is not in the header: begin the file with the line travel_mm,offset_mm[,advance_mm]"}},
		{"twice", "travel_mm,offset_mm,offset_mm\n1,2,3\n", checks, []string{"f.csv:1:21: offset_mm stands twice"}},
		{"decimal comma between commas", "value\n20,1\n", sizes, []string{"f.csv:2:1: has 2 cells, and the header 1: write 20.1 and not 20,1"}},
		{"short row", "travel_mm,offset_mm\n1\n", checks, []string{"f.csv:2:1: has 1 cells, and the header 2: give every row"}},
		{"thousands", "travel_mm;offset_mm\n1.000,5;2\n1,000,5;2\n", checks, []string{`f.csv:2:1: travel_mm is "1.000,5": write a decimal point`, `f.csv:3:1: travel_mm is "1,000,5"`}},
		{"every mistake", "value\nNaN\n20.1 mm\n\u221220\n1e300\n1e999\nInf\n0x14\n1_0\nlong\n", sizes, []string{
			`f.csv:2:1: value is "NaN", no number`, `f.csv:3:1: value is "20.1 mm", no plain number: write the number alone, without a unit`, `f.csv:4:1: value is`, "write -",
			`f.csv:5:1: value is "1e300", beyond 1e+09`, `f.csv:6:1: value is "1e999", beyond`, `f.csv:7:1: value is "Inf"`, `f.csv:8:1: value is "0x14"`, `f.csv:9:1: value is "1_0"`, `f.csv:10:1: value is "long"`}},
		{"empty cell", "travel_mm,offset_mm\n1,\n", checks, []string{"f.csv:2:3: offset_mm is empty: give a number, or remove the row"}},
		{"quotation mark", "value\n20.1\n2\"0\n20,x\n", sizes, []string{"f.csv:3:2: has a quotation mark out of place", "f.csv:4:1: has 2 cells"}},
		{"open quotation", "value\n\"20.1\n20.2\n", sizes, []string{"has a quotation mark out of place"}},
		{"UTF-16", "\xff\xfev\x00a\x00", sizes, []string{"f.csv:1:1: is UTF-16 text: save it as CSV in UTF-8"}},
		{"no text", "va\x00lue\n", sizes, []string{"f.csv:1:1: is no text"}},
		{"escape codes", "value\n\x1b[31m\n", sizes, []string{`"\x1b[31m"`}},
	} {
		_, err := table.Read(strings.NewReader(c.text), "f.csv", c.columns...)
		var all table.Errors
		if !errors.As(err, &all) {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		for _, want := range c.want {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v\ndoes not tell %s", c.name, err, want)
			}
		}
		if c.name == "every mistake" && all.Count != 9 {
			t.Errorf("%d mistakes are reported of 9", all.Count)
		}
	}
	_, err := table.Read(strings.NewReader("value\n"+strings.Repeat("x\n", 1000)), "f.csv", sizes...)
	var all table.Errors
	if !errors.As(err, &all) || all.Count != 1000 || len(all.List) != 50 || !strings.HasSuffix(err.Error(), "and 950 more") {
		t.Errorf("a thousand mistakes: %v", err)
	}
	if _, err := table.Read(iotest.ErrReader(io.ErrClosedPipe), "f.csv", sizes...); !errors.Is(err, io.ErrClosedPipe) {
		t.Errorf("a reading error: %v", err)
	}
}

// A million rows take what their numbers take, and a file without end is refused.
func TestReadIsBounded(t *testing.T) {
	text := append([]byte("value\n"), bytes.Repeat([]byte("20.1\n"), table.MaxRows)...)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	got, err := table.Read(bytes.NewReader(text), "f.csv", sizes...)
	if err != nil || got.Rows != table.MaxRows {
		t.Fatal(err)
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	if kept := int64(after.HeapAlloc) - int64(before.HeapAlloc); kept > 48<<20 {
		t.Errorf("%d MiB are kept for %d rows", kept>>20, got.Rows)
	}
	runtime.KeepAlive(got)
	if _, err := table.Read(bytes.NewReader(append(text, "20.1\n"...)), "f.csv", sizes...); err == nil || !strings.Contains(err.Error(), fmt.Sprint("row ", table.MaxRows+1)) {
		t.Errorf("one row more: %v", err)
	}
	if _, err := table.Read(io.MultiReader(strings.NewReader("value\n"), endless{}), "f.csv", sizes...); err == nil || !strings.Contains(err.Error(), "64 MiB") {
		t.Errorf("a line without end: %.200v", err)
	}
}

type endless struct{}

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = ' '
	}
	return len(p), nil
}

// Whatever a file holds: no panic, and numbers that are taken are finite, as many in
// each column as there are rows.
func FuzzRead(f *testing.F) {
	for _, s := range []string{"travel_mm,offset_mm\n1,2\n", "travel_mm;offset_mm;advance_mm\n1;2,5;\"3\"\n", "\xef\xbb\xbf\"travel_mm\"\t\"offset_mm\"\r\n\r\n1\t-2\r\n", "travel_mm,offset_mm\n\"1\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := table.Read(bytes.NewReader(data), "f.csv", checks...)
		if err != nil {
			return
		}
		if got.Rows == 0 || len(got.Line) != got.Rows || !slices.IsSorted(got.Line) {
			t.Fatalf("%+v", got)
		}
		for name, column := range got.Values {
			if len(column) != got.Rows || slices.ContainsFunc(column, func(v float64) bool { return !(math.Abs(v) <= 1e9) }) {
				t.Fatalf("%s of %+v", name, got)
			}
		}
	})
}
