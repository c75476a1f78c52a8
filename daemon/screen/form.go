package screen

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// field is one input of a form with what was typed and what is wrong with it.
type field struct {
	Name, Label, Unit, Hint string
	More                    string // of the label, for those who hear it without what stands beside it
	Value, Wrong            string
	Mode                    string // keyboard of a telephone: decimal or numeric
	Auto                    string // what the browser may fill in; empty for nothing
	Wide                    bool
	Step                    bool // a count, with buttons for one more and one less where scripts run
	Checked                 bool // of a tick box
}

// Described names what describes the input, for those who hear the page.
func (f field) Described() string {
	var ids []string
	if f.Hint != "" {
		ids = append(ids, f.Name+"-hint")
	}
	if f.Wrong != "" {
		ids = append(ids, f.Name+"-wrong")
	}
	return strings.Join(ids, " ")
}

// mistake is one thing that is wrong with a form; Field is the id of its input.
type mistake struct{ Field, Text string }

// form reads what was typed, and collects everything that is wrong with it.
type form struct {
	values   url.Values
	mistakes []mistake
}

// formOf returns what was sent; nil when that is no form, which is answered then.
func (sc *screen) formOf(w http.ResponseWriter, r *http.Request) *form {
	if err := r.ParseForm(); err != nil {
		sc.sorry(w, r, http.StatusBadRequest, "The form cannot be read", "Go back and send it again.")
		return nil
	}
	return &form{values: r.PostForm}
}

// again answers a form that is not carried out since of how it was sent.
func (sc *screen) again(w http.ResponseWriter, r *http.Request, status int, detail, remedy string) {
	if status == http.StatusUnprocessableEntity {
		detail, remedy = "this form was already sent with other values, and those count", "Look at what was recorded. For anything else, open the form again."
	}
	sc.sorry(w, r, status, sentence(detail), sentence(remedy))
}

// keyed has the address of a form bear the form's key. A browser that goes back and has no
// copy of the page any more asks for it again: it then gets the form that it had, or learns
// that it was carried out, and not another form that would count a second time. It returns
// false when it has answered. done is what is said of a form that was carried out.
func (sc *screen) keyed(w http.ResponseWriter, r *http.Request, p *page, done string) bool {
	key := r.URL.Query().Get("key")
	given := sc.answers.Status(r.URL.Path, key)
	switch {
	case given != 0 && given < http.StatusBadRequest:
		p.Body = struct{ What, Remedy, Path string }{done, "You had already sent it. It counts once.", r.URL.Path}
		sc.write(w, http.StatusOK, "sent", p)
		return false
	case given != 0, len(key) != len(p.Key), strings.Trim(key, "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567") != "":
		w.Header().Set("Cache-Control", "no-store")
		http.Redirect(w, r, r.URL.Path+"?key="+p.Key, http.StatusSeeOther)
		return false
	}
	p.Key = key
	return true
}

func (f *form) text(name string) string { return strings.TrimSpace(f.values.Get(name)) }

func (f *form) ticked(name string) bool { return f.values.Get(name) != "" }

// wrong notes a mistake.
func (f *form) wrong(name, text string) { f.mistakes = append(f.mistakes, mistake{name, text}) }

// wrongAt returns what is wrong with an input.
func (f *form) wrongAt(name string) string {
	var list []string
	for _, m := range f.mistakes {
		if m.Field == name {
			list = append(list, m.Text)
		}
	}
	return strings.Join(list, " ")
}

// fill gives a field what was typed in it, and what is wrong with that.
func (f *form) fill(v field) field {
	if f == nil {
		return v
	}
	if v.Checked = f.ticked(v.Name); v.Value == "" {
		v.Value = f.values.Get(v.Name)
	}
	v.Wrong = f.wrongAt(v.Name)
	return v
}

// decimal reads a number; nil where nothing was typed. A comma counts as the point,
// as many keyboards offer no other.
func (f *form) decimal(name, what string) *float64 {
	text := f.text(name)
	if text == "" {
		return nil
	}
	v, ok := decimal(text)
	if !ok {
		f.wrong(name, what+" is "+strconv.Quote(text)+": enter a number such as -1.5, without a unit.")
		return nil
	}
	return &v
}

// decimals reads numbers with white space or semicolons between them.
func (f *form) decimals(name, what string) (list []float64) {
	for _, word := range strings.FieldsFunc(f.text(name), func(r rune) bool { return r == ';' || r == ' ' || r == '\n' || r == '\r' || r == '\t' }) {
		v, ok := decimal(word)
		if !ok {
			f.wrong(name, what+" is "+strconv.Quote(word)+": enter numbers such as 20.1, separated by spaces.")
			continue
		}
		list = append(list, v)
	}
	return list
}

// wholes reads numbers from 1.
func (f *form) wholes(name, what string) (list []int) {
	for _, v := range f.decimals(name, what) {
		if v < 1 || v > 1_000_000 || v != math.Trunc(v) {
			f.wrong(name, fmt.Sprintf("%s is %g: enter whole numbers from 1.", what, v))
			continue
		}
		list = append(list, int(v))
	}
	return list
}

// whole reads a count; 0 where nothing was typed.
func (f *form) whole(name, what string) int {
	text := f.text(name)
	if text == "" {
		return 0
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 || n > 1_000_000 {
		f.wrong(name, what+" is "+strconv.Quote(text)+": enter a whole number.")
		return 0
	}
	return n
}

// decimal reads one number as people type it.
func decimal(text string) (float64, bool) {
	text = strings.Replace(text, "\u2212", "-", 1) // the minus of typographers
	if strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		text = strings.Replace(text, ",", ".", 1)
	}
	if strings.ContainsAny(text, "xXpP_nNiI") { // no hexadecimals, no infinities
		return 0, false
	}
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil && !math.IsInf(v, 0) && !math.IsNaN(v)
}
