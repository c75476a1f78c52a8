package main

import (
	"fmt"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/table"
)

// marks are drawn into every chart of one machine: where it waited, where it had a fault, and where
// somebody recorded a visit.
func marks() []cog.Builder[dashboard.AnnotationQuery] {
	mark := func(name, colour, expr, title string) cog.Builder[dashboard.AnnotationQuery] {
		return dashboard.NewAnnotationQueryBuilder().Name(name).Datasource(source()).Enable(true).IconColor(colour).
			Expr(expr).Step("15s").TitleFormat(title)
	}
	return []cog.Builder[dashboard.AnnotationQuery]{
		mark("Holds", amber, of("hold_reason", "reason")+" == 1", "waits: {{reason}}"),
		mark("Faults", red, of("fault_reason", "reason")+" == 1", "fault: {{reason}}"),
		// A check begins the belt travel since the last one anew.
		mark("Visits", green, `max by (machine) (resets(beltwarden_belt_travel_since_check_meters{machine="$machine"}[1m])) > 0`, "visit recorded"),
	}
}

// all is a metric of every machine, one series for each value of the labels named.
func all(metric string) string { return fmt.Sprintf("max by (machine) (beltwarden_%s)", metric) }

// named is the word for which a metric is 1, moved from one label to another: two columns of the same
// label could not be told apart.
func named(metric, label, to string) string {
	return fmt.Sprintf(`max by (machine, %[3]s) (label_replace(beltwarden_%[1]s == 1, "%[3]s", "$1", "%[2]s", "(.+)"))`, metric, label, to)
}

// column is one of the table of machines.
type column struct {
	title, expr, unit string
	label             string // shows this label instead of the value
}

// columns are what is known of each machine, what is most urgent first.
func columns() []column {
	return []column{
		{title: "Heaters in doubt", expr: all("heaters_unconfirmed")},
		{title: "It is", expr: named("state", "state", "is"), label: "is"},
		{title: "Fault", expr: named("fault_reason", "reason", "fault"), label: "fault"},
		{title: "Waits for", expr: named("hold_reason", "reason", "waits"), label: "waits"},
		{title: "Next visit in", expr: all("next_visit_timestamp_seconds") + " - " + all("clock_timestamp_seconds"), unit: "s"},
		{title: "Not looked at", expr: all("order_unverified_parts")},
		{title: "Good of the order", expr: all("order_good_parts") + " / " + all("order_parts"), unit: "percentunit"},
		{title: "Nozzle", expr: `max by (machine) (beltwarden_temperature_celsius{sensor="nozzle"})`, unit: "celsius"},
		{title: "Answers", expr: `max by (machine) (up{job="beltwarden"})`},
	}
}

// machines is the row of the dashboard over all machines: which heaters are in doubt, then a table with
// a line for each machine.
func machines() row {
	doubt := danger(figure("Heaters in doubt", "1: of a machine that cannot be reached they may be on. Go there and cut the mains.", "none", 24,
		`max(beltwarden_heaters_unconfirmed)`).Height(4), "no heater in doubt", "CUT THE MAINS: heaters may be on")
	t := table.NewPanelBuilder().Title("Machines").Description("The most urgent first. A name leads to its machine.").Datasource(source()).Span(24).Height(14).
		SortBy([]cog.Builder[common.TableSortByFieldState]{common.NewTableSortByFieldStateBuilder().DisplayName("Heaters in doubt").Desc(true)})
	hidden := map[string]any{}
	renamed := map[string]any{"machine": "Machine"}
	for i, c := range columns() {
		id := letter(i)
		t = t.WithTarget(query(c.expr, "").Instant().Format(prometheus.PromQueryFormatTable).RefId(id))
		hidden[fmt.Sprintf("Time %d", i+1)] = true
		value := "Value #" + id
		if c.label != "" {
			hidden[value], renamed[c.label] = true, c.title
			continue
		}
		renamed[value] = c.title
		var look []dashboard.DynamicConfigValue
		if c.unit != "" {
			look = append(look, dashboard.DynamicConfigValue{Id: "unit", Value: c.unit})
		}
		if i == 0 {
			look = append(look, dashboard.DynamicConfigValue{Id: "custom.cellOptions", Value: map[string]any{"type": "color-background", "mode": "basic", "applyToRow": true}},
				dashboard.DynamicConfigValue{Id: "thresholds", Value: map[string]any{"mode": "absolute", "steps": []any{
					map[string]any{"color": "transparent", "value": nil}, map[string]any{"color": red, "value": 1}}}},
				dashboard.DynamicConfigValue{Id: "mappings", Value: words01("no", "CUT THE MAINS")})
		}
		if look != nil {
			t = t.OverrideByName(c.title, look)
		}
	}
	t = t.OverrideByName("Machine", []dashboard.DynamicConfigValue{{Id: "links", Value: []any{
		map[string]any{"title": "Show this machine", "url": "/d/" + oneUID + "?var-machine=${__value.raw}"}}}}).
		WithTransformation(dashboard.DataTransformerConfig{Id: "joinByField", Options: map[string]any{"byField": "machine", "mode": "outer"}}).
		WithTransformation(dashboard.DataTransformerConfig{Id: "organize", Options: map[string]any{"excludeByName": hidden, "renameByName": renamed}})
	return row{"Which machine needs somebody?", panels{doubt, t}}
}
