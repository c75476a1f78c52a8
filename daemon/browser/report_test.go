package browser

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/page"

	"beltwarden/daemon/report"
)

// reportSample reads a report that the tests of its package keep.
func reportSample(t *testing.T, name string) *report.Report {
	t.Helper()
	text, err := os.ReadFile("../../testdata/reports/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	r := new(report.Report)
	if err := json.Unmarshal(text, r); err != nil {
		t.Fatal(err)
	}
	return r
}

// TestReportPages looks at reports on a desk, on a telephone, in the dark and on paper,
// under the policy that the daemon sends with them.
func TestReportPages(t *testing.T) {
	withoutRace(t)
	beside(t)
	for _, name := range []string{"clips", "in-work", "three-jobs"} {
		for _, who := range []string{report.ForWorkshop, report.ForCustomer} {
			t.Run(name+"-"+who, func(t *testing.T) {
				r := reportSample(t, name)
				if who == report.ForCustomer {
					r = r.Customer()
				}
				var text bytes.Buffer
				if err := r.HTML(&text); err != nil {
					t.Fatal(err)
				}
				b := open(t, served(t, text.String(), r.Policy()+"; frame-ancestors 'none'"), desk)
				b.visit("/")
				for _, size := range []screen{desk, phone} {
					for _, scheme := range []string{"light", "dark"} {
						b.resize(size)
						b.media(scheme)
						b.shot(fmt.Sprintf("%d-%s", size.wide, scheme))
						if wrong := b.unlawful(); len(wrong) > 0 {
							t.Errorf("%d px, %s:\n%s", size.wide, scheme, strings.Join(wrong, "\n"))
						}
					}
				}
				b.resize(desk)
				b.media("dark") // a dark desk prints on white paper
				sheet := call(b, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: new(true), PrintBackground: new(true)})
				keep(t, "paper.pdf", sheet.Data)
				if !bytes.HasPrefix(sheet.Data, []byte("%PDF-")) {
					t.Error("nothing was printed")
				}
			})
		}
	}
}
