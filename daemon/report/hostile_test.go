package report

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"beltwarden/supervisor/ledger"
)

// evil is what somebody could write into a text of the ledger.
const evil = "=cmd|' /C calc'!A0</style></title><script>alert(1)</script>\u202Egnp.\u2066\x1b[31m\r\n\"'`&{{.}}*/};@import url(http://a.invalid)"

func hostile() *book {
	b := pegs()
	b.lot.Name, b.lot.Reason = evil, evil
	b.lot.Jobs[0].Name, b.lot.Jobs[0].Path, b.lot.Jobs[0].SHA256 = evil, "/"+strings.ReplaceAll(evil, "/", "\\"), evil
	for i := range b.checks {
		b.checks[i].By, b.checks[i].Note, b.checks[i].Scrap = evil, evil, map[string]int{evil: 1}
	}
	for i := range b.holds {
		h := &b.holds[i]
		h.Text, h.Reason, h.How, h.By, h.Override = evil, evil, evil, evil, evil
	}
	b.cycles[3].Reason, b.cycles[3].Note = evil, evil
	b.lot.Alterations = []ledger.Alteration{{Kind: ledger.Withheld, Line: 1, Text: evil, Why: evil}}
	b.events = []ledger.Event{{Stamp: b.lot.Opened, Kind: evil, Text: evil}}
	b.counts.ScrapByReason = map[string]int{evil: 1}
	return b
}

func TestHostileTexts(t *testing.T) {
	set := workshopSettings
	set.Machine, set.Rates.Currency = evil, evil
	for _, r := range []*Report{hostile().read(t, set, time.Hour), hostile().read(t, set, time.Hour).Customer()} {
		page := pageOf(t, r)
		if strings.ContainsAny(page, "\u202e\u2066\x1b") || strings.Contains(page, "<script") || strings.Contains(page, "{{") && !strings.Contains(page, "&amp;{{.}}") {
			t.Errorf("a hostile text came through for the %s", r.For)
		}
		_, rest, _ := strings.Cut(page, "<style>")
		style, _, _ := strings.Cut(rest, "</style>")
		if style != r.style() || strings.Contains(style, "script") && !strings.Contains(style, `\00003cscript`) || strings.Contains(style, "@import") {
			t.Errorf("the style sheet was tampered with for the %s", r.For)
		}
		text := map[string]bool{"name": true, "by": true, "text": true, "note": true, "currency": true, "section": true}
		for _, line := range tableOf(t, r)[1:] {
			for i, v := range line {
				if text[r.columns()[i]] && v != "" && strings.ContainsRune("=+-@\t\r\n", rune(v[0])) || strings.ContainsAny(v, "\r\n\u202e\x1b") {
					t.Errorf("column %s holds %q", r.columns()[i], v)
				}
			}
		}
	}
}

func TestCells(t *testing.T) {
	for text, want := range map[string]string{"": "", "clip": "clip", "=1+1": "'=1+1", "  @a": "'@a", "-0.4 mm": "'-0.4 mm", "\t=1": "'=1", "＝1": "'＝1", "a\r\n=b": "a =b",
		"|x": "'|x", "\u202e=1": "\ufffd=1", "peg – 2": "peg – 2"} {
		if got := cell(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
	for v, want := range map[float64]string{0: "0", -0.4: "-0.4", 1e-9: "0", -1e-9: "0", 1799.5999999999956: "1799.6", 1e15: "1000000000000000", 0.1234567: "0.123457"} {
		if got := number(v); got != want {
			t.Errorf("%g: %q, want %q", v, got, want)
		}
	}
}

// Nothing of the workshop's own reaches a customer, in whatever text it stood.
func TestCustomerIsToldNothingElse(t *testing.T) {
	b := pegs()
	n := 0
	secret := func() string { n++; return fmt.Sprintf("SECRET%d", n) }
	b.lot.Reason = secret()
	b.lot.Jobs[0].Path = "/" + secret() + "/drip-peg.gcode"
	for i := range b.checks {
		b.checks[i].By, b.checks[i].Note, b.checks[i].Scrap = secret(), secret(), map[string]int{secret(): 1}
	}
	h := &b.holds[0]
	h.Text, h.Reason, h.How, h.By, h.Override = secret(), secret(), secret(), secret(), secret()
	b.cycles[3].Reason, b.cycles[3].Note = secret(), secret()
	b.lot.Alterations = []ledger.Alteration{{Kind: ledger.Withheld, Line: 1, Text: secret(), Why: secret()}}
	b.events = []ledger.Event{{Stamp: b.lot.Opened, Kind: secret(), Text: secret()}}
	b.counts.ScrapByReason = map[string]int{secret(): 1}
	set := workshopSettings
	set.Machine, set.Rates.Currency = secret(), secret()
	whole := b.read(t, set, time.Hour)
	forms := func(r *Report) string {
		text, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		return pageOf(t, r) + fmt.Sprint(tableOf(t, r)) + string(text)
	}
	inner := forms(whole)
	for i := range n {
		if s := fmt.Sprintf("SECRET%d", i+1); !strings.Contains(inner, s) {
			t.Errorf("the workshop does not see %s", s)
		}
	}
	outer := forms(whole.Customer())
	if strings.Contains(outer, "SECRET") {
		t.Error("a customer sees what is the workshop's own")
	}
	for _, word := range []string{"scrap", "yield", "cost", "OEE", "hold", "visit\"", "operator", "filament", "realign", "cycle", "workshop\":", "Ada", "Ben"} {
		if regexp.MustCompile(`(?i)\b` + word).MatchString(outer) {
			t.Errorf("a customer reads %q", word)
		}
	}
	for _, want := range []string{"drip-line pegs", "20 mm ± 0.2 mm", "fewer than 30 parts were measured", "20.100 mm", "2026-05-04 08:00"} {
		if !strings.Contains(outer, want) {
			t.Errorf("a customer does not see %q", want)
		}
	}
	if whole.Workshop == nil || whole.Jobs[0].Workshop == nil || whole.Jobs[0].Size.Lengths[0].Visit == 0 {
		t.Error("the workshop's report was changed")
	}
}
