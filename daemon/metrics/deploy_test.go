package metrics

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"

	"beltwarden/daemon/access"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

const deploy = "../../deploy/"

// rule is one of deploy/beltwarden.rules.yml.
type rule struct {
	Record      string            `yaml:"record"`
	Alert       string            `yaml:"alert"`
	Expr        string            `yaml:"expr"`
	Labels      map[string]string `yaml:"labels"`
	Annotations map[string]string `yaml:"annotations"`
}

func read(t *testing.T, file string, into any, decode func([]byte, any) error) {
	t.Helper()
	data, err := os.ReadFile(deploy + file)
	if err != nil {
		t.Fatal(err)
	}
	if err := decode(data, into); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
}

func rulesOf(t *testing.T) (list []rule) {
	t.Helper()
	var file struct {
		Groups []struct {
			Rules []rule `yaml:"rules"`
		} `yaml:"groups"`
	}
	read(t, "beltwarden.rules.yml", &file, yaml.Unmarshal)
	for _, g := range file.Groups {
		list = append(list, g.Rules...)
	}
	if len(list) < 30 {
		t.Fatalf("%d rules", len(list))
	}
	return list
}

// queries returns every query of the dashboards with the title of its panel.
func queries(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, file := range []string{"dashboard/beltwarden.json", "dashboard/beltwarden-all.json"} {
		maps.Copy(out, queriesOf(t, file))
	}
	if len(out) < 60 {
		t.Fatalf("%d queries", len(out))
	}
	return out
}

func queriesOf(t *testing.T, file string) map[string]string {
	t.Helper()
	var board struct {
		Panels []struct {
			Title   string `json:"title"`
			Targets []struct {
				Expr string `json:"expr"`
			} `json:"targets"`
		} `json:"panels"`
		Annotations struct {
			List []struct {
				Name string `json:"name"`
				Expr string `json:"expr"`
			} `json:"list"`
		} `json:"annotations"`
		Templating struct {
			List []struct {
				Name  string `json:"name"`
				Query any    `json:"query"`
			} `json:"list"`
		} `json:"templating"`
	}
	read(t, file, &board, json.Unmarshal)
	out := map[string]string{}
	for _, p := range board.Panels {
		for n, target := range p.Targets {
			out[fmt.Sprintf("%s: %s, query %d", file, p.Title, n+1)] = target.Expr
		}
	}
	for _, a := range board.Annotations.List {
		out[file+": mark "+a.Name] = a.Expr
	}
	for _, v := range board.Templating.List {
		out[file+": variable "+v.Name] = fmt.Sprint(v.Query)
	}
	return out
}

var (
	word    = regexp.MustCompile(`(?:machine:)?beltwarden_[a-z0-9_:]+(\{[^}]*\})?`)
	matcher = regexp.MustCompile(`([a-z_]+)\s*(=~|!~|!=|=)\s*"([^"]*)"`)
)

// known values of labels that have a set.
func labelValues(metric, label string) []string {
	switch {
	case label == "state":
		var out []string
		for _, s := range supervisor.States() {
			out = append(out, strings.ToLower(s.String()))
		}
		return out
	case label == "reason" && strings.HasPrefix(metric, prefix+"next_visit"):
		return visitReasons
	case label == "reason" && metric == prefix+"access_refused_total":
		return slices.Collect(maps.Keys(new(access.Gate).Refused()))
	case label == "reason" && metric != prefix+"parts_scrapped_total":
		return reasons
	case label == "sensor":
		return []string{"nozzle", "bed"}
	case label == "kind":
		return kinds
	case label == "status":
		return []string{ledger.LotOpen, ledger.LotMade, ledger.LotClosed, ledger.LotEnded}
	}
	return nil
}

// faults says what an expression asks for that the collector does not have.
func faults(expr string, recorded []string) (out []string) {
	for _, m := range word.FindAllStringSubmatch(expr, -1) {
		name, _, _ := strings.Cut(m[0], "{")
		if slices.Contains(recorded, name) {
			continue
		}
		plain := name
		for _, suffix := range []string{"_bucket", "_sum", "_count"} {
			if strings.HasPrefix(name, prefix+"serial_round_trip_seconds") {
				plain = strings.TrimSuffix(plain, suffix)
			}
		}
		i := slices.IndexFunc(table, func(e entry) bool { return e.name == plain })
		if i < 0 {
			out = append(out, "there is no metric "+name)
			continue
		}
		for _, l := range matcher.FindAllStringSubmatch(m[1], -1) {
			label, values := l[1], labelValues(plain, l[1])
			if label != "machine" && !slices.Contains(table[i].labels, label) {
				out = append(out, name+" has no label "+label)
				continue
			}
			for _, v := range strings.Split(l[3], "|") {
				if values != nil && !slices.Contains(values, v) {
					out = append(out, fmt.Sprintf("%s is never %q in %s", label, v, name))
				}
			}
		}
	}
	return out
}

// Everything that rules and dashboard ask for is there.
func TestQueriesAskForWhatThereIs(t *testing.T) {
	var recorded []string
	for _, r := range rulesOf(t) {
		if r.Record != "" {
			recorded = append(recorded, r.Record)
		}
	}
	asked := queries(t)
	for _, r := range rulesOf(t) {
		asked["rule "+r.Record+r.Alert] = r.Expr
	}
	for _, where := range slices.Sorted(maps.Keys(asked)) {
		for _, f := range faults(asked[where], recorded) {
			t.Errorf("%s: %s", where, f)
		}
	}
	// The metrics of tests are not made up either.
	data, err := os.ReadFile(deploy + "beltwarden.rules_test.yml")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range faults(string(data), recorded) {
		t.Errorf("beltwarden.rules_test.yml: %s", f)
	}
	for expr, want := range map[string]string{
		`beltwarden_belt_offset_mm > 1`:                           "there is no metric",
		`beltwarden_state{state="resting"}`:                       "never",
		`beltwarden_hold_reason{reason=~"operator|tired"}`:        "never",
		`beltwarden_access_refused_total{reason="rude"}`:          "never",
		`beltwarden_ledger_up{reason="operator"}`:                 "no label",
		`machine:beltwarden_unheard:ratio`:                        "there is no metric",
		`rate(beltwarden_serial_round_trip_seconds_buckets[5m])`:  "there is no metric",
		`beltwarden_state{machine="x", state!~"idle|held"}`:       "",
		`rate(beltwarden_serial_round_trip_seconds_bucket[5m])`:   "",
		`machine:beltwarden_offset:ratio > beltwarden_bin_parts`:  "",
		`beltwarden_parts_scrapped_total{reason="anything said"}`: "",
	} {
		if got := strings.Join(faults(expr, recorded), "; "); (want == "") != (got == "") || !strings.Contains(got, want) {
			t.Errorf("%s: %q, want %q", expr, got, want)
		}
	}
}

// The first that both dashboards show is whether a heater is in doubt, on a red ground; holds, faults
// and visits are marked in the charts of a machine.
func TestDashboardsBeginWithDanger(t *testing.T) {
	for file, marks := range map[string]string{"dashboard/beltwarden.json": "Holds Faults Visits", "dashboard/beltwarden-all.json": ""} {
		var board struct {
			Panels []struct {
				Type        string
				Title       string
				Options     struct{ ColorMode string }
				FieldConfig struct {
					Defaults struct {
						Thresholds struct {
							Steps []struct {
								Color string
								Value *float64
							}
						}
						Mappings json.RawMessage
					}
				}
			}
			Annotations struct{ List []struct{ Name string } }
		}
		read(t, file, &board, json.Unmarshal)
		first := board.Panels[1] // after the row's title
		steps := first.FieldConfig.Defaults.Thresholds.Steps
		if first.Title != "Heaters in doubt" || first.Options.ColorMode != "background" || len(steps) != 2 || steps[1].Value == nil || *steps[1].Value != 1 || steps[1].Color != "#B3001B" ||
			!strings.Contains(string(first.FieldConfig.Defaults.Mappings), "CUT THE MAINS") {
			t.Errorf("%s begins with %+v", file, first)
		}
		var names []string
		for _, a := range board.Annotations.List {
			names = append(names, a.Name)
		}
		if got := strings.Join(names, " "); got != marks {
			t.Errorf("%s marks %q, want %q", file, got, marks)
		}
	}
}

// An alert says in words what is the matter and what to do, does not change when the
// server or the port does, is shown to come and to stay away, and stands in the README.
func TestAlertsAreWholeAndTested(t *testing.T) {
	var tests struct {
		Tests []struct {
			Alerts []struct {
				Name string           `yaml:"alertname"`
				Exp  []map[string]any `yaml:"exp_alerts"`
			} `yaml:"alert_rule_test"`
		} `yaml:"tests"`
	}
	read(t, "beltwarden.rules_test.yml", &tests, yaml.Unmarshal)
	comes, staysAway := map[string]bool{}, map[string]bool{}
	for _, test := range tests.Tests {
		for _, a := range test.Alerts {
			comes[a.Name] = comes[a.Name] || len(a.Exp) > 0
			staysAway[a.Name] = staysAway[a.Name] || len(a.Exp) == 0
		}
	}
	readme, err := os.ReadFile(deploy + "README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rulesOf(t) {
		if r.Alert == "" {
			continue
		}
		if s := r.Labels["severity"]; s != "critical" && s != "warning" && s != "info" {
			t.Errorf("%s has the severity %q", r.Alert, s)
		}
		if len(r.Annotations["summary"]) < 20 || len(r.Annotations["description"]) < 20 {
			t.Errorf("%s does not say what is the matter and what to do", r.Alert)
		}
		if !strings.Contains(r.Expr, " by (machine") && !strings.HasPrefix(r.Expr, "machine:") && !strings.HasPrefix(r.Expr, "absent(") {
			t.Errorf("%s is not summed up by machine: its alerts change with the server's labels", r.Alert)
		}
		if !comes[r.Alert] || !staysAway[r.Alert] {
			t.Errorf("%s: shown to come %v, to stay away %v", r.Alert, comes[r.Alert], staysAway[r.Alert])
		}
		if !strings.Contains(string(readme), "| `"+r.Alert+"` | "+r.Labels["severity"]+" |") {
			t.Errorf("deploy/README.md does not have %s with its severity", r.Alert)
		}
	}
	for name := range comes {
		if !slices.ContainsFunc(rulesOf(t), func(r rule) bool { return r.Alert == name }) {
			t.Errorf("%s is tested and not there", name)
		}
	}
}

// Whoever plans a server for it finds there how much there is to keep.
func TestDeployStatesTheSeries(t *testing.T) {
	text, err := os.ReadFile(deploy + "README.md")
	if err != nil {
		t.Fatal(err)
	}
	stated := fmt.Sprintf("at most %d series, and %d for each receiver of alerts; those of the process are %d at most", maxSeries, perReceiver, maxOfProcess)
	if !strings.Contains(strings.Join(strings.Fields(string(text)), " "), stated) {
		t.Errorf("deploy/README.md does not say: %s", stated)
	}
}
