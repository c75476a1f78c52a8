package report

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/ledger"
)

// What people altered stands in an appendix with who and why; a customer reads none of it.
func TestInterventions(t *testing.T) {
	b := clips()
	last := b.checks[len(b.checks)-1]
	b.checks[len(b.checks)-1].CorrectedBy = 9
	fixed := last
	fixed.ID, fixed.Corrects, fixed.CorrectedBy, fixed.Good, fixed.By, fixed.Note = 9, last.ID, 0, last.Good-1, "Zoe", "counted one of another lot"
	fixed.LengthsMM, fixed.Scrap = append([]float64{36.5}, last.LengthsMM[1:]...), map[string]int{"stringing": 1}
	fixed.Stamp = b.at(90_000)
	b.checks = append(b.checks, fixed)
	b.holds[0].Override, b.holds[0].By = "the belt was looked at", "Ada"
	b.events = append(b.events, ledger.Event{Stamp: b.at(90_010), Kind: "override", Text: "went on by Ada: the belt was looked at"},
		ledger.Event{Stamp: b.at(90_020), Kind: "override", Text: "began by Ben: the filament is dry"})
	b.lot.Changed = b.at(90_030)
	r := b.read(t, workshopSettings, 48*time.Hour)
	var kinds []string
	for _, v := range r.Workshop.Interventions {
		kinds = append(kinds, v.Kind)
	}
	if want := []string{"override", "decision", "correction", "override"}; !slices.Equal(kinds, want) {
		t.Errorf("%q, want %q: %+v", kinds, want, r.Workshop.Interventions)
	}
	var page, table bytes.Buffer
	if err := r.HTML(&page); err != nil {
		t.Fatal(err)
	}
	if err := r.CSV(&table); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Appendix: what was altered", "check 9 replaces check 5: good 6, not 7; scrap 1, not 0; lengths 36.50,", "counted one of another lot", "Zoe",
		"went on against: 8 parts since the last check", "the belt was looked at", "began by Ben: the filament is dry", "interrupted part 13 found scrap"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("%q is missing on the page", want)
		}
	}
	for _, want := range []string{"altered,,,correction", "altered,,,override", "order,,,order number"} {
		if !strings.Contains(table.String(), want) {
			t.Errorf("%q is missing in the table", want)
		}
	}
	page.Reset()
	if err := r.Customer().HTML(&page); err != nil {
		t.Fatal(err)
	}
	for _, never := range []string{"Appendix", "Zoe", "looked at</", "in a million", "normally distributed"} {
		if strings.Contains(page.String(), never) {
			t.Errorf("a customer reads %q", never)
		}
	}
	for _, want := range []string{"Made by", "Greenhouse-supplies workshop, 3 Mill Lane", "4500-17", "PETG, green", "G 2605-3"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("a customer does not read %q", want)
		}
	}
}

// From nine lengths nothing is promised that nine lengths do not show: no index, no share in a million.
func TestFewLengthsPromiseLittle(t *testing.T) {
	b := clips()
	for i := range b.checks {
		b.checks[i].LengthsMM = nil
	}
	b.checks[0].LengthsMM = []float64{36.00, 36.01, 35.99, 36.00, 36.01, 35.99, 36.00, 36.01, 36.00}
	c := b.read(t, workshopSettings, 24*time.Hour).Customer()
	s := c.Jobs[0].Size
	if s.N != 9 || s.Pp != nil || s.Ppk != nil || s.OutsideMost != nil || s.OutsideByCount == nil || *s.OutsideByCount < 0.28 || *s.OutsideByCount > 0.29 {
		t.Errorf("%+v", s)
	}
	var page bytes.Buffer
	if err := c.HTML(&page); err != nil {
		t.Fatal(err)
	}
	if text := page.String(); !strings.Contains(text, "at most 28.31 % of the parts") || strings.Contains(text, "Ppk") || strings.Contains(text, "million") || !strings.Contains(text, "fewer than 30 parts were measured") {
		t.Error("the page says otherwise")
	}
}
