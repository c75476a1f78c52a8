package screen

import (
	"net/http"
	"strings"
	"testing"

	"beltwarden/supervisor"
)

// TestSetupPage: the page asks for one move at a time with a confirmation that is not kept, says what was found, and is
// closed to those who only look.
func TestSetupPage(t *testing.T) {
	b := setUp(t)
	s := snapshot(supervisor.Idle)
	mark := -70.0
	s.Setup = &supervisor.SetupView{Unknown: []string{"machine.forward", "belt.to_drop_mm"}, LastMM: -50, Text: hostile, FromMarkMM: &mark, Forward: -1}
	b.run.show(s)
	text := b.get("/setup").Body.String()
	for _, want := range []string{"forward: -1", `value="-50"`, "The mark is 70 mm", "away from the drop edge", "Keep your hands off", `value="abort"`, "Not known yet"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(text, hostile) || !strings.Contains(b.get("/").Body.String(), `href="/setup"`) {
		t.Error("a text stands there as it is, or the page is not reached from Now")
	}

	for _, c := range []struct {
		fields []string
		move   *supervisor.SetupMove
		found  *supervisor.SetupFound
	}{
		{[]string{"mm", "-5", "clear", "yes", "from_mark", "yes"}, &supervisor.SetupMove{MM: -5, Clear: true, FromMark: true}, nil},
		{[]string{"mm", "100"}, &supervisor.SetupMove{MM: 100}, nil},
		{[]string{"direction", "still"}, nil, &supervisor.SetupFound{Direction: "still"}},
		{[]string{"drop", "fell", "measured", "5"}, nil, &supervisor.SetupFound{Drop: "fell"}},
		{[]string{"length", "yes", "measured", "106,5"}, nil, &supervisor.SetupFound{MeasuredMM: 106.5}},
	} {
		b.run.asked = nil
		if r := b.post("/setup", c.fields...); r.Code != http.StatusSeeOther || len(b.run.asked) != 1 {
			t.Errorf("%v: %d, asked %+v", c.fields, r.Code, b.run.asked)
			continue
		}
		q := b.run.asked[0]
		if c.move != nil && (q.SetupMove == nil || *q.SetupMove != *c.move) || c.found != nil && (q.SetupFound == nil || *q.SetupFound != *c.found) {
			t.Errorf("%v: asked %+v", c.fields, q)
		}
	}
	b.run.asked = nil
	for _, fields := range [][]string{{"mm", "five"}, {"length", "yes"}, {"length", "yes", "measured", "x"}} {
		if r := b.post("/setup", fields...); r.Code != http.StatusUnprocessableEntity || len(b.run.asked) > 0 {
			t.Errorf("%v: %d, asked %+v", fields, r.Code, b.run.asked)
		}
	}
	b.run.err = &supervisor.Refusal{What: "move the belt", Why: "the machine is not cold", Remedy: "let it cool"}
	r := b.post("/setup", "mm", "5", "clear", "yes")
	if text := r.Body.String(); r.Code != http.StatusConflict || !strings.Contains(text, "the machine is not cold") || strings.Contains(text, `id="clear" name="clear" value="yes" checked`) {
		t.Errorf("refused: %d", r.Code)
	}

	b.looks, b.run.asked = true, nil
	if a, c := b.get("/setup").Code, b.post("/setup", "mm", "5", "clear", "yes").Code; a != http.StatusForbidden || c != http.StatusForbidden || len(b.run.asked) > 0 {
		t.Errorf("whoever looks: %d %d, asked %+v", a, c, b.run.asked)
	}
	b.looks = false
	b.run.show(snapshot(supervisor.Execute))
	if text := b.get("/setup").Body.String(); strings.Contains(text, `name="mm"`) || !strings.Contains(text, "while the machine is Execute") {
		t.Error("in a run a move can be asked for")
	}
}
