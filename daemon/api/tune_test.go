package api

import (
	"strings"
	"testing"

	"beltwarden/supervisor"
)

func TestScaleAndTrialAreHandedOn(t *testing.T) {
	b := setUp(t)
	for path, body := range map[string]string{
		"scale":        `{"steps_per_mm":79.5,"now_steps_per_mm":80,"store":true,"by":"Ada"}`,
		"trials/begin": `{"run_mm":5000,"before_mm":-0.5,"adjuster":"left","turns":-0.25,"clear":true,"by":"Ada"}`,
		"trials/end":   `{"after_mm":1.5,"parts":4,"part_travel_mm":700,"by":"Ada"}`,
	} {
		if w := b.ask("POST", "/api/v1/"+path, body); w.Code != 200 {
			t.Errorf("%s gives %d %s", path, w.Code, w.Body)
		}
		q := b.run.asked[len(b.run.asked)-1]
		right := q.By == "Ada"
		switch path {
		case "scale":
			right = right && *q.Scale == supervisor.ScaleRequest{StepsPerMM: 79.5, NowStepsPerMM: 80, Store: true}
		case "trials/begin":
			p := q.TrialBegin
			right = right && p.RunMM == 5000 && *p.BeforeMM == -0.5 && p.Adjuster == "left" && p.Turns == -0.25 && p.Clear
		default:
			p := q.TrialEnd
			right = right && *p.AfterMM == 1.5 && p.Parts == 4 && p.PartTravelMM == 700 && !p.GiveUp
		}
		if !right {
			t.Errorf("%s asks for %+v", path, q)
		}
	}
	for body, want := range map[string]string{
		`{}`: "or only undo", `{"undo":true,"steps_per_mm":80}`: "or only undo",
		`{"steps_per_mm":"80"}`: `field \"steps_per_mm\" is a string`, `{"steps":80}`: "now_steps_per_mm",
	} {
		asked := len(b.run.asked)
		w := b.ask("POST", "/api/v1/scale", body)
		if problemOf(t, w); w.Code != 422 || !strings.Contains(w.Body.String(), want) || len(b.run.asked) != asked {
			t.Errorf("%s gives %d %s", body, w.Code, w.Body)
		}
	}
}
