package api

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"time"

	"beltwarden/daemon/report"
)

// lotReport answers with what became of a lot: as JSON, as a table or as a page.
func (b *api) lotReport(w http.ResponseWriter, r *http.Request) error {
	id, err := lotID(r)
	if err != nil {
		return err
	}
	format, customer, err := reportParams(r)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(r.Context(), readLimit)
	defer cancel()
	rep, err := report.Read(ctx, b.Ledger, id, b.Report, time.Now())
	if err != nil {
		return err
	}
	if customer {
		rep = rep.Customer()
	}
	if format == "json" {
		return answer(w, http.StatusOK, rep)
	}
	var body bytes.Buffer // written whole or not at all
	write, kind, place := rep.HTML, "text/html; charset=utf-8", "inline"
	if format == "csv" {
		write, kind, place = rep.CSV, "text/csv; charset=utf-8; header=present", "attachment"
	}
	if err := write(&body); err != nil {
		return err
	}
	h := w.Header()
	if format == "html" {
		// The page brings its style with it, which the policy of the other answers forbids.
		h.Set("Content-Security-Policy", rep.Policy()+"; frame-ancestors 'none'")
	}
	h.Set("Content-Type", kind)
	h.Set("Content-Disposition", fmt.Sprintf(`%s; filename="lot-%d.%s"`, place, id, format))
	h.Set("Cache-Control", "no-store")
	_, _ = w.Write(body.Bytes()) // a reader who has gone needs no answer
	return nil
}

// reportParams reads in which form, and for whom, a report is wanted.
func reportParams(r *http.Request) (format string, customer bool, err error) {
	q := r.URL.Query()
	switch format = q.Get("format"); format {
	case "":
		format = "json"
	case "json", "csv", "html":
	default:
		return "", false, &badRequest{http.StatusBadRequest, fmt.Sprintf("format is %q", format), "write json, csv or html"}
	}
	switch who := q.Get("for"); who {
	case "", report.ForWorkshop:
	case report.ForCustomer:
		customer = true
	default:
		return "", false, &badRequest{http.StatusBadRequest, fmt.Sprintf("for is %q", who), "write workshop or customer"}
	}
	return format, customer, nil
}
