package browser

import (
	"fmt"
	"html"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
)

const tryForm = `<form method="post" enctype="multipart/form-data" action="/">
<p><label for="n">Good parts</label> <input id="n" name="n" type="number" value="7"></p>
<p><label for="w">Note</label> <textarea id="w" name="w">old</textarea></p>
<p><label><input type="checkbox" name="c" value="yes"> Belt cleared</label></p>
<fieldset><legend>Interrupted part</legend><label><input type="radio" name="r" value="g"> good</label> <label><input type="radio" name="r" value="s"> scrap</label></fieldset>
<p><label for="o">Order</label> <select id="o" name="o"><option>blocks</option><option>turn</option></select></p>
<p><label for="f">Job file</label> <input id="f" name="f" type="file"></p>
<p><button>Record</button></p></form>`

// The hand does what a person does, whether the page may run scripts or not.
func TestHandWorksAForm(t *testing.T) {
	beside(t)
	var posts atomic.Int64
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body := tryForm
		if r.Method == http.MethodPost {
			posts.Add(1)
			f, h, err := r.FormFile("f")
			if err != nil {
				http.Error(w, err.Error(), http.StatusBadRequest)
				return
			}
			data, _ := io.ReadAll(f)
			body = "<p>" + html.EscapeString(fmt.Sprintf("got %s|%s|%s|%s|%s|%s|%s", r.FormValue("n"), r.FormValue("w"), r.FormValue("c"),
				r.FormValue("r"), r.FormValue("o"), h.Filename, data)) + "</p>"
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		fmt.Fprintf(w, shell, body+`<link rel="icon" href="data:,">`)
	}))
	defer s.Close()
	path := filepath.Join(t.TempDir(), "peg.gcode")
	if err := os.WriteFile(path, []byte("G1 X1"), 0o600); err != nil {
		t.Fatal(err)
	}
	for i, scripts := range []bool{true, false} {
		b := open(t, s.URL, phone)
		b.scripts(scripts)
		b.visit("/")
		b.fill("Good parts", "12")
		b.fill("note", "two pegs <lay> \"under\" the head")
		b.tick("Belt cleared")
		b.tick("scrap")
		b.choose("Order", "turn")
		b.upload("Job file", path)
		if got := b.value("Good parts"); got != "12" {
			t.Errorf("the field holds %q", got)
		}
		b.shot("filled")
		b.press("Record")
		b.sees(`got 12|two pegs <lay> "under" the head|yes|s|turn|peg.gcode|G1 X1`)
		if n := posts.Load(); n != int64(i+1) || b.watch.asked("POST /") != 1 {
			t.Errorf("sent %d times, want %d", n, i+1)
		}
	}
}
