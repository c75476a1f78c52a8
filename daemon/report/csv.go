package report

import (
	"encoding/csv"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// columns of the table. Every row has all of them, most empty: a spreadsheet filters
// by section. Units are in the names.
var columns = []string{"section", "number", "job", "name", "at", "until", "duration_s", "parts", "good", "scrap",
	"size_mm", "offset_mm", "travel_mm", "filament_mm", "mass_g", "ratio", "amount", "currency", "by", "text", "note"}

// customerColumns are those that a customer's table has.
var customerColumns = []string{"section", "number", "job", "name", "at", "until", "parts", "size_mm", "ratio", "text", "note"}

// columns returns the columns of this report's table.
func (r *Report) columns() []string {
	if r.Workshop == nil {
		return customerColumns
	}
	return columns
}

// row is one line of the table by its columns.
type row map[string]string

// CSV writes the report as one table by RFC 4180: comma, CRLF, UTF-8, decimals with a
// point, times by RFC 3339. Texts that a spreadsheet could take for a formula begin
// with an apostrophe.
func (r *Report) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	names := r.columns()
	if err := c.Write(names); err != nil {
		return err
	}
	for _, line := range r.rows() {
		fields := make([]string, len(names))
		for i, name := range names {
			fields[i] = line[name]
		}
		if err := c.Write(fields); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// cell makes a text safe in a spreadsheet: one line, and never a formula. The marks
// that begin one are those of the common programs, and the wide forms that some
// take for the same.
func cell(text string) string {
	text = clean(text)
	if text != "" && strings.ContainsRune("=+-@|%\t\r＝＋－＠", []rune(text)[0]) {
		return "'" + text
	}
	return text
}

// number writes a value to a millionth of its unit, more exactly than any value is known.
func number(v float64) string { return plain(math.Round(v*1e6) / 1e6) }

func optional(v *float64) string {
	if v == nil {
		return ""
	}
	return number(*v)
}

func instant(t time.Time) string { return t.Format(time.RFC3339) }

func instantOr(t *time.Time) string {
	if t == nil {
		return ""
	}
	return instant(*t)
}

func whole(n int) string { return strconv.Itoa(n) }

func (r *Report) rows() (list []row) {
	add := func(section string, line row) {
		line["section"] = section
		list = append(list, line)
	}
	add("report", row{"name": r.For, "at": instant(r.Written)})
	add("lot", row{"number": strconv.FormatInt(r.Lot.ID, 10), "name": cell(r.Lot.Name), "at": instant(r.Lot.Opened),
		"until": instantOr(r.Lot.Ended), "text": r.Lot.Status})
	for _, why := range r.provisional() {
		add("provisional", row{"text": cell(why)})
	}
	for _, v := range [][2]string{{"made by", r.Lot.Sender}, {"order number", r.Lot.OrderNumber}, {"material", r.Lot.Material}, {"material batch", r.Lot.MaterialBatch}} {
		if v[1] != "" {
			add("order", row{"name": v[0], "text": cell(v[1])})
		}
	}
	add("date", row{"name": "opened", "at": instant(r.Lot.Opened)})
	for _, d := range []struct {
		name string
		at   *time.Time
	}{{"first part begun", r.Lot.FirstPart}, {"last part made", r.Lot.LastPart}, {"ended", r.Lot.Ended}} {
		if d.at != nil {
			add("date", row{"name": d.name, "at": instant(*d.at)})
		}
	}
	add("count", row{"name": "ordered", "parts": whole(r.Ordered)})
	add("count", row{"name": "good", "parts": whole(r.Good)})
	for _, j := range r.Jobs {
		no := whole(j.Number)
		add("job", row{"job": no, "name": cell(j.Name), "text": cell(j.File), "note": cell(j.SHA256)})
		add("count", row{"job": no, "name": "ordered", "parts": whole(j.Ordered)})
		add("count", row{"job": no, "name": "good", "parts": whole(j.Good)})
		list = append(list, j.rows()...)
	}
	if r.Workshop != nil {
		list = append(list, r.Workshop.rows()...)
	}
	for _, text := range r.Remarks {
		add("remark", row{"text": cell(text)})
	}
	return list
}

// provisional returns the reasons that this report's reader may see.
func (r *Report) provisional() []string {
	if r.Workshop != nil {
		return r.Workshop.Provisional
	}
	return r.Provisional
}

// rows of one job: what was measured, and for the workshop what it took.
func (j *Job) rows() (list []row) {
	no := whole(j.Number)
	add := func(section, name string, line row) {
		line["section"], line["name"], line["job"] = section, name, no
		list = append(list, line)
	}
	if s := j.Size; s != nil {
		if o := s.Ordered; o != nil {
			add("size", "ordered length", row{"size_mm": number(o.LengthMM)})
			add("size", "tolerance to either side", row{"size_mm": number(o.ToleranceMM)})
		}
		add("size", "measured", row{"parts": whole(s.N)})
		if s.N > 0 {
			add("size", "mean", row{"size_mm": number(s.MeanMM)})
			add("size", "least", row{"size_mm": number(s.MinMM)})
			add("size", "greatest", row{"size_mm": number(s.MaxMM)})
		}
		if s.N > 1 {
			add("size", "standard deviation", row{"size_mm": number(s.SDMM)})
		}
		if s.Outside != nil {
			add("size", "measured out of tolerance", row{"parts": whole(*s.Outside)})
		}
		if s.OutsideByCount != nil {
			add("size", "out of tolerance at most, with 95 % certainty, by count", row{"ratio": number(*s.OutsideByCount)})
		}
		if s.Ppk != nil {
			add("size", "Pp", row{"ratio": number(*s.Pp)})
			add("size", "Pp, lower end of 95 %", row{"ratio": number(s.PpInterval.Low)})
			add("size", "Pp, upper end of 95 %", row{"ratio": number(s.PpInterval.High)})
			add("size", "Ppk", row{"ratio": number(*s.Ppk)})
			add("size", "Ppk, lower end of 95 %", row{"ratio": number(s.PpkInterval.Low)})
			add("size", "Ppk, upper end of 95 %", row{"ratio": number(s.PpkInterval.High)})
			if s.OutsideMost != nil {
				add("size", "out of tolerance at most, with 95 % certainty if lengths are normal", row{"ratio": number(*s.OutsideMost)})
			}
		} else {
			add("size", "no performance", row{"text": cell(s.Why)})
		}
		for i, l := range s.Lengths {
			add("length", "", row{"number": whole(i + 1), "at": instant(l.At), "size_mm": number(l.MM)})
		}
	}
	w := j.Workshop
	if w == nil {
		return list
	}
	for _, c := range []struct {
		name string
		n    int
	}{{"begun", w.Begun}, {"made", w.Made}, {"scrap", w.Scrap}, {"not looked at", w.Unverified}, {"interrupted, not decided", w.Undecided},
		{"lines withheld", w.Withheld}, {"lines added", w.Added}} {
		add("count", c.name, row{"parts": whole(c.n)})
	}
	add("count", "file", row{"text": cell(w.Path)})
	if w.PlannedS > 0 {
		add("cycle", "planned", row{"duration_s": number(w.PlannedS)})
	}
	list = append(list, w.Cycle.rows("cycle", "duration_s", no)...)
	list = append(list, w.Making.rows("making", "duration_s", no)...)
	list = append(list, w.TravelMM.rows("belt of a part", "travel_mm", no)...)
	add("filament", "parts made", row{"filament_mm": number(w.FilamentMM)})
	if w.Control.Phase == "frozen" {
		add("control", "mean", row{"size_mm": number(w.Control.MeanMM)})
		add("control", "lower limit", row{"size_mm": number(w.Control.LowerMM)})
		add("control", "upper limit", row{"size_mm": number(w.Control.UpperMM)})
	}
	for _, g := range w.Control.Signals {
		add("control", "signal", row{"number": whole(g.Length), "text": cell(g.Text)})
	}
	return list
}

// rows of a spread, its values in one column.
func (s Spread) rows(section, column, job string) (list []row) {
	if s.N == 0 {
		return nil
	}
	for _, v := range []struct {
		name  string
		value float64
	}{{"median", s.Median}, {"mean", s.Mean}, {"least", s.Least}, {"greatest", s.Most}} {
		list = append(list, row{"section": section, "job": job, "name": v.name, "parts": whole(s.N), column: number(v.value)})
	}
	return list
}
