package wording

import (
	"strings"
	"testing"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/quality"
)

// TestFiguresAndAdhesionAreShown with what they leave open: parts not looked at, waits that were
// not planned, parts that came off at an unknown time.
func TestFiguresAndAdhesionAreShown(t *testing.T) {
	l := &client.LotDetail{
		Figures: supervisor.Production{Figures: &quality.Figures{Availability: 0.8, Effectiveness: 1.25, QualityRatio: 0.9, OEE: 0.9},
			Most: &quality.Figures{QualityRatio: 1, OEE: 1}, Unverified: 1, ActualProductionS: 3600, HeldS: 1200, UnseenS: 7200},
		Adhesion: supervisor.Adhesion{Surface: "taped", Since: time.Unix(1e9, 0), Made: 12, Held: 9, Detached: 2, UnknownTimes: 1, Earliest: 40 * time.Minute},
		Checks:   []client.Check{{ID: 1, Good: 3, CorrectedBy: 2}, {ID: 2, Good: 2, Scrap: map[string]int{"detached": 1}, DetachedMin: []float64{40}, Corrects: 1}},
	}
	text := strings.Join(strings.Fields(strings.Join(Lot(l, Style{}), " ")), " ")
	for _, want := range []string{"availability 80.0 %, effectiveness 125.0 %, quality ratio 90.0 %, OEE 90.0 %",
		"1 part not looked at and not counted good; were all good, quality ratio 100.0 %, OEE 100.0 %",
		"leaves out heating or cooling", "planned time is too long", "making parts 60 min, held 20 min", "about 2 h 0 min without a daemon",
		"of 12 parts made since it was taped on ", ": 9 were seen to have stayed, and 2 came off, one after 40 min (1 at an unknown time, counted as at once)", "not shown to hold",
		"(Check 1)", "superseded by check 2", "one came off after 40 min", "corrects check 1"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	l.Adhesion.HoldsFor, l.Figures.Figures, l.Figures.Why = time.Hour, nil, "no part was made yet"
	text = strings.Join(strings.Fields(strings.Join(Lot(l, Style{}), " ")), " ")
	for _, want := range []string{"95 of 100 parts stay for 60 min, with 95 % certainty", "none: no part was made yet"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

// TestCareText: what is due is said once, whatever its name.
func TestCareText(t *testing.T) {
	left, now := 40, 0
	for want, c := range map[string]supervisor.CareView{
		"due in 40 parts (every 200 m of belt, last done 20.5 m of belt ago)": {Name: "oil: rods", Parts: &left, Why: "oil: rods: due every 200 m of belt, last done 20.5 m of belt ago"},
		"due now (every 2 parts, counted for 2 parts)":                        {Name: "wipe", Parts: &now, Why: "wipe: due every 2 parts, counted for 2 parts"},
		"due every 90 days, last done 3 days ago":                             {Name: "nozzle", Why: "nozzle: due every 90 days, last done 3 days ago"},
	} {
		if got := CareText(c); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
