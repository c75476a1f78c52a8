package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwarden/config"
	"beltwarden/daemon/app"
	"beltwarden/daemon/client"
	"beltwarden/daemon/report"
	"beltwarden/supervisor/ledger"
)

// reportFlags say what report is wanted, and from where.
type reportFlags struct {
	format, ledger, config, out string
	customer, replace           bool
}

var reportFormats = []string{"html", "csv", "json"}

func newLotReport() *cobra.Command {
	var f reportFlags
	c := &cobra.Command{
		Use: "report ID", Short: "Write a lot's report as page, table or JSON", Args: args(1, 1, "the number of one lot"),
		Long: "report writes what was ordered, made and found good, the sizes, times, visits and\n" +
			"holds, and what a good part cost at the rates of the configuration (costs).\n" +
			"The page is for browsers and A4 paper. With --customer the report holds only\n" +
			"what was ordered, found good and measured, and when.\n" +
			"Without a daemon, --ledger reads the file itself without changing it; what the\n" +
			"ledger does not hold (machine, rates, limit, filament) then comes from --config.",
		Example: "  beltwarden lot report 3 --out lot-3.html\n" +
			"  beltwarden lot report 3 --customer --out for-the-customer.html\n" +
			"  beltwarden lot report 3 --format csv --ledger /var/lib/beltwarden/ledger.db --config machine.yaml",
	}
	s := c.Flags()
	s.StringVar(&f.format, "format", "html", "html, csv or json")
	s.BoolVar(&f.customer, "customer", false, "leave out internal matters: costs, notes, names, holds, times")
	s.StringVar(&f.out, "out", "", "file to write (default: the output, unless a page would go to a terminal)")
	s.BoolVar(&f.replace, "replace", false, "replace the file if it exists")
	s.StringVar(&f.ledger, "ledger", "", "read this ledger file instead of asking the daemon")
	s.StringVar(&f.config, "config", "", "with --ledger: the configuration to take rates and limits from")
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := lotID(args[0])
		if err != nil {
			return err
		}
		if err := f.check(); err != nil {
			return err
		}
		if f.format == "html" && f.out == "" && style(c.OutOrStdout()).Terminal {
			return &failure{status: exitUsage, err: errors.New("cannot show the report: it is a page for a browser, and this is a terminal"),
				hint: fmt.Sprintf("write it to a file: beltwarden lot report %d --out lot-%d.html", id, id)}
		}
		text, err := f.text(c, id)
		if err != nil {
			return err
		}
		return f.save(c.OutOrStdout(), text)
	}
	return c
}

// check lists what is wrong with the flags before anything is read.
func (f *reportFlags) check() error {
	var wrong []string
	if !slices.Contains(reportFormats, f.format) {
		wrong = append(wrong, fmt.Sprintf("--format is %q, but must be %s", f.format, strings.Join(reportFormats, ", ")))
	}
	if f.config != "" && f.ledger == "" {
		wrong = append(wrong, "--config belongs to --ledger: a daemon has its own configuration")
	}
	if f.replace && f.out == "" {
		wrong = append(wrong, "--replace belongs to --out")
	}
	if wrong == nil {
		return nil
	}
	return usageMany("write the report", wrong)
}

// text is the report as it is to be written, from the daemon or from the file.
func (f *reportFlags) text(c *cobra.Command, id int64) (text []byte, err error) {
	if f.ledger == "" {
		who := report.ForWorkshop
		if f.customer {
			who = report.ForCustomer
		}
		err = withDaemon(c, func(ctx context.Context, d *client.Client) (err error) {
			text, err = d.LotReport(ctx, id, f.format, who)
			return err
		})
		if err == nil && f.format == "json" {
			return indented(text)
		}
		return text, err
	}
	var set report.Settings
	if f.config != "" {
		cfg, err := config.Load(f.config)
		if err != nil {
			return nil, err
		}
		set = app.ReportSettings(cfg)
	}
	err = readLedger(f.ledger, func(l *ledger.Ledger) error {
		r, err := report.Read(c.Context(), l, id, set, time.Now())
		if errors.Is(err, ledger.ErrNotFound) {
			return &failure{status: exitRefused, err: err, hint: "see the lots of a ledger: beltwarden ledger export " + f.ledger}
		}
		if err != nil {
			return ledgerFailure(err)
		}
		text, err = f.write(r)
		return err
	})
	return text, err
}

// write gives a report its form.
func (f *reportFlags) write(r *report.Report) ([]byte, error) {
	if f.customer {
		r = r.Customer()
	}
	var b bytes.Buffer
	var err error
	switch f.format {
	case "json":
		err = printJSON(&b, r)
	case "csv":
		err = r.CSV(&b)
	default:
		err = r.HTML(&b)
	}
	return b.Bytes(), err
}

func indented(text []byte) ([]byte, error) {
	var b bytes.Buffer
	if err := json.Indent(&b, bytes.TrimSpace(text), "", "  "); err != nil {
		return nil, fmt.Errorf("cannot read the daemon's report: %w", err)
	}
	b.WriteByte('\n')
	return b.Bytes(), nil
}

// save writes the report where it is wanted. A file that is there stays, unless the
// user has said otherwise.
func (f *reportFlags) save(out io.Writer, text []byte) (err error) {
	if f.out == "" {
		_, err := out.Write(text)
		return err
	}
	if f.replace {
		err = replaceFile(f.out, string(text))
	} else {
		err = newFile(f.out, text)
	}
	if err == nil {
		return nil
	}
	w := &failure{status: exitUnexpected, err: fmt.Errorf("cannot write the report %s: %w", f.out, err)}
	switch {
	case errors.Is(err, fs.ErrExist):
		w.hint = "give another name, or --replace to write over it"
	case errors.Is(err, errDirectory):
		w.hint = "give the name of a file in it"
	case errors.Is(err, fs.ErrNotExist):
		w.hint = "create its directory first"
	}
	return w
}

// newFile writes a file that is not there yet; one that could not be written whole is
// taken away again.
func newFile(path string, text []byte) (err error) {
	w, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666) // less what the user's mask takes away
	if err != nil {
		return withoutPath(err)
	}
	_, err = w.Write(text)
	if err == nil {
		err = w.Sync()
	}
	if err = errors.Join(err, w.Close()); err != nil {
		os.Remove(path)
	}
	return withoutPath(err)
}
