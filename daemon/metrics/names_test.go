package metrics

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
)

func TestNames(t *testing.T) {
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(busy(t))
	problems, err := testutil.GatherAndLint(r)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	for _, e := range table {
		if wrong := wrongName(e.name); wrong != "" {
			t.Errorf("%s: %s", e.name, wrong)
		}
		for _, l := range e.labels {
			// A lot, a job or a part would make a new series for ever.
			if !slices.Contains([]string{"version", "url", "state", "reason", "sensor", "channel", "status", "position", "class", "kind"}, l) {
				t.Errorf("%s has the label %s", e.name, l)
			}
		}
	}
}

var shape = regexp.MustCompile(`^beltwarden(_[a-z][a-z0-9]*)+$`)

// notBase are words that say another unit than metres, seconds, grams, bytes, degrees
// Celsius or a ratio. The linter does not know all of them: _mm is one (tried with
// client_golang 1.25.0).
var notBase = []string{"mm", "cm", "um", "m", "km", "millimeters", "millimetres", "metres", "ms", "us", "ns", "s", "sec", "min", "minutes", "h", "hours",
	"days", "g", "kg", "mg", "kilograms", "b", "kb", "mb", "kilobytes", "percent", "pct", "c", "fahrenheit", "kelvin", "watts"}

// wrongName says what is wrong with a name.
func wrongName(name string) string {
	if !shape.MatchString(name) {
		return "it is not beltwarden_ and words in lower case"
	}
	for _, word := range strings.Split(name, "_") {
		if slices.Contains(notBase, word) {
			return "it is not in base units: " + word
		}
	}
	return ""
}

func TestWrongNamesAreFound(t *testing.T) {
	for name, wrong := range map[string]bool{
		"beltwarden_belt_offset_mm": true, "beltwarden_belt_travel_m_total": true, "beltwarden_part_expected_ms": true, "beltwarden_spool_left_g": true,
		"belt_travel_meters": true, "beltwarden_beltTravel": true, "beltwarden_yield_percent": true, "beltwarden_belt_offset_metres": true,
		"beltwarden_belt_offset_meters": false, "beltwarden_serial_sent_bytes_total": false, "beltwarden_yield_ratio": false,
	} {
		if got := wrongName(name); (got != "") != wrong {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// The table of metrics stands in this file, between these lines.
const (
	metricsPage = "../../docs/metrics.md"
	tableBegins = "<!-- metrics: begin; made from daemon/metrics, UPDATE=1 go test -run TestDocs ./daemon/metrics writes it anew -->\n"
	tableEnds   = "<!-- metrics: end -->\n"
)

// TestDocsHaveTheMetrics compares the table that people read with the code. With
// UPDATE=1 in the environment it writes the table again.
func TestDocsHaveTheMetrics(t *testing.T) {
	text, err := os.ReadFile(metricsPage)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, begun := strings.Cut(string(text), tableBegins)
	there, after, ended := strings.Cut(rest, tableEnds)
	if !begun || !ended {
		t.Fatalf("%s has no place for the metrics: it needs the line %q and, after it, %q", metricsPage, tableBegins, tableEnds)
	}
	want := documented()
	if there == want {
		return
	}
	if os.Getenv("UPDATE") == "1" {
		if err := os.WriteFile(metricsPage, []byte(before+tableBegins+want+tableEnds+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Errorf("the metrics in %s are not those of the code; UPDATE=1 go test -run TestDocs ./daemon/metrics writes them anew (-there +code):\n%s",
		metricsPage, cmp.Diff(strings.Split(there, "\n"), strings.Split(want, "\n")))
}

// documented is the table as people read it.
func documented() string {
	var b strings.Builder
	fmt.Fprintf(&b, "At most %d series, and %d for each receiver of alerts; besides those of the process.\n\n", maxSeries, perReceiver)
	b.WriteString("| metric `beltwarden_...` | labels | meaning |\n|---|---|---|\n")
	for _, e := range table {
		labels := ""
		if len(e.labels) > 0 {
			labels = "`" + strings.Join(e.labels, "`, `") + "`"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s |\n", strings.TrimPrefix(e.name, prefix), labels, strings.TrimSuffix(e.help, "."))
	}
	var times []string
	for _, c := range classes {
		times = append(times, c.name)
	}
	quoted := func(list []string) string { return "`" + strings.Join(list, "`, `") + "`" }
	fmt.Fprintf(&b, "\nReasons of holds and faults are %s.\nReasons of visits are %s.\nKinds of events are %s.\n",
		quoted(reasons), quoted(visitReasons), quoted(kinds))
	fmt.Fprintf(&b, "`class` is %s.\n`position` is the place of a job in the lot, up to %d; further jobs are not shown.\n", quoted(times), maxPositions)
	return b.String()
}
