package report

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"time"

	"beltwarden/daemon/chart"
	"beltwarden/daemon/wording"
)

var (
	//go:embed page.css
	pageStyle string
	//go:embed page.tmpl
	pageText string
	//go:embed workshop.tmpl
	workshopText string
)

// maxRows bounds each table of the page. The figures are of everything all the same,
// and the CSV has every row.
const maxRows = 300

// pages is the page's template. What people have written goes through clean and
// stands apart from the text around it, so that no direction mark spills over.
var pages = template.Must(template.New("page").Funcs(template.FuncMap{
	"clean": clean, "plain": plain, "percent": percent, "span": span, "metres": wording.Metres, "clock": clockOf, "day": day, "hour": hour, "counted": wording.Count,
	"mm2":      func(v float64) string { return decimal(v, 2) },
	"mm3":      func(v float64) string { return decimal(v, 3) },
	"ratio":    func(v *float64) string { return decimal(*v, 2) },
	"amount":   money,
	"money":    func(v *float64) string { return money(*v) },
	"metresOf": func(v *float64) string { return wording.Metres(*v) },
	"grams":    grams, "fraction": smallFraction, "first": newestRows, "rest": hiddenRows, "long": longClass,
}).Parse(pageText + workshopText))

func clockOf(v any) string {
	switch t := v.(type) {
	case time.Time:
		return clock(t)
	case *time.Time:
		return clock(*t)
	}
	return ""
}

func grams(v *float64) string {
	switch {
	case v == nil:
		return "not known"
	case *v < 100:
		return decimal(*v, 2) + " g"
	}
	return decimal(*v, 0) + " g"
}

// smallFraction writes a fraction that may be far below a percent.
func smallFraction(v *float64) string {
	switch {
	case *v < 0.001:
		return fmt.Sprintf("%.0f in a million", math.Ceil(1e6**v))
	}
	return decimal(100**v, 2) + " %"
}

// view is what the page shows, with its pictures drawn.
type view struct {
	*Report
	Title, Policy string
	Style         template.CSS
	Why           []string // it is provisional
	Sized         bool
	Broken        int // interrupted parts
	Jobs          []jobView

	Figures                                 []figure
	FigureNotes                             []string
	TimePicture, CyclePicture, DriftPicture *picture
}

type jobView struct {
	Job
	Picture *picture
}

// HTML writes the report as one page that asks for nothing outside itself and runs no
// script. It prints on A4. Its size is bounded: tables show the newest rows and
// pictures merge what falls into one column of pixels; no figure leaves anything out.
func (r *Report) HTML(w io.Writer) error {
	v := view{Report: r, Title: r.title(), Policy: r.Policy(), Style: template.CSS(r.style()), Why: r.provisional()} //nolint:gosec // our own, names escaped
	for _, j := range r.Jobs {
		v.Jobs = append(v.Jobs, jobView{j, j.sizePicture()})
		v.Sized = v.Sized || j.Size != nil
	}
	if w := r.Workshop; w != nil {
		v.Broken = len(w.Interruptions)
		v.Figures, v.FigureNotes = figures(&r.Workshop.Production), figureNotes(&r.Workshop.Production)
		v.TimePicture, v.CyclePicture, v.DriftPicture = r.timePicture(), r.cyclePicture(), r.driftPicture()
	}
	var page bytes.Buffer // so that a mistake leaves no half page
	if err := pages.Execute(&page, v); err != nil {
		return fmt.Errorf("cannot write the report of lot %d: %w", r.Lot.ID, err)
	}
	_, err := w.Write(page.Bytes())
	return err
}

// title names the report where there is room for one line only.
func (r *Report) title() string {
	return fmt.Sprintf("Lot %d: %s", r.Lot.ID, shorten(clean(r.Lot.Name), 60))
}

// Policy is the content security policy under which the page works: its own style and
// nothing else.
func (r *Report) Policy() string {
	sum := sha256.Sum256([]byte(r.style()))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'"
}

// style is the page's style sheet, with the lot in the margin of every printed page.
func (r *Report) style() string {
	state := "Lot report"
	if len(r.provisional()) > 0 {
		state = "Lot report, PROVISIONAL"
	}
	font := `font:8pt system-ui,"Liberation Sans",Arial,sans-serif;color:#545c66;`
	return chart.Style() + pageStyle + "@page{" +
		"@top-left{" + font + "content:" + quoted(r.title()) + "}" +
		"@top-right{" + font + "content:" + quoted(state) + "}" +
		"@bottom-left{" + font + "content:" + quoted("Written "+clock(r.Written)) + "}" +
		"@bottom-right{" + font + `content:"Page " counter(page) " of " counter(pages)}` + "}"
}

// quoted writes a CSS string. Whatever is no plain letter or digit goes by its number,
// so that nothing can end the string or the style sheet.
func quoted(text string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range text {
		if c == ' ' || c == ',' || c == ':' || c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' {
			b.WriteRune(c)
		} else {
			fmt.Fprintf(&b, `\%06x`, c)
		}
	}
	b.WriteByte('"')
	return b.String()
}
