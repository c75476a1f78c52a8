package main

import (
	"fmt"
	"strings"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
)

// Colours of Okabe and Ito, which people with the common forms of colour blindness
// tell apart. A colour never says anything alone: words, dashes or places say it too.
const (
	blue   = "#0072B2"
	orange = "#D55E00"
	green  = "#009E73"
	amber  = "#E69F00"
	sky    = "#56B4E9"
	plain  = "#8A929B"
	red    = "#B3001B" // for danger alone, and never without words
)

// row is a question of the operator's and what answers it.
type row struct {
	question string
	panels   []cog.Builder[dashboard.Panel]
}

func source() common.DataSourceRef {
	return common.DataSourceRef{Type: text("prometheus"), Uid: text("${source}")}
}

func text(s string) *string { return &s }

// of is a metric of the machine that is chosen, one series for each value of the
// labels named.
func of(metric string, by ...string) string {
	return fmt.Sprintf(`max by (%s) (beltwarden_%s{machine="$machine"})`, strings.Join(append([]string{"machine"}, by...), ", "), metric)
}

// with is the same where further labels match.
func with(metric, match string, by ...string) string {
	return fmt.Sprintf(`max by (%s) (beltwarden_%s{machine="$machine", %s})`, strings.Join(append([]string{"machine"}, by...), ", "), metric, match)
}

// rate is how much a counter gains each second.
func rate(metric string, by ...string) string {
	return fmt.Sprintf(`max by (%s) (rate(beltwarden_%s{machine="$machine"}[$__rate_interval]))`, strings.Join(append([]string{"machine"}, by...), ", "), metric)
}

// curve is one query of a chart. Its name is what the legend says.
type curve struct {
	expr, name, colour string
	dashed, points     bool
	under              string // fills down to the curve of this name
}

// chart draws curves over time. width is in 24ths of the screen.
func chart(title, help, unit string, width uint32, curves ...curve) *timeseries.PanelBuilder {
	p := timeseries.NewPanelBuilder().Title(title).Description(help).Datasource(source()).Unit(unit).Span(width).Height(8).
		LineWidth(2).ShowPoints(common.VisibilityModeNever).FillOpacity(0).
		Legend(common.NewVizLegendOptionsBuilder().DisplayMode(common.LegendDisplayModeList).Placement(common.LegendPlacementBottom).ShowLegend(true)).
		Tooltip(common.NewVizTooltipOptionsBuilder().Mode(common.TooltipDisplayModeMulti))
	for i, c := range curves {
		p = p.WithTarget(query(c.expr, c.name).RefId(letter(i)))
		var look []dashboard.DynamicConfigValue
		if c.colour != "" {
			look = paint(c.colour)
		}
		if c.dashed {
			look = append(look, dashes)
		}
		if c.points {
			look = append(look, dots...)
		}
		if c.under != "" {
			look = append(look, dashboard.DynamicConfigValue{Id: "custom.fillBelowTo", Value: c.under},
				dashboard.DynamicConfigValue{Id: "custom.fillOpacity", Value: 15})
		}
		if look != nil {
			p = p.OverrideByName(c.name, look)
		}
	}
	return p
}

// figure is one number, large.
func figure(title, help, unit string, width uint32, expr string) *stat.PanelBuilder {
	return stat.NewPanelBuilder().Title(title).Description(help).Datasource(source()).Unit(unit).Span(width).Height(5).
		GraphMode(common.BigValueGraphModeNone).ColorMode(common.BigValueColorModeNone).
		ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"lastNotNull"})).
		WithTarget(query(expr, "").Instant().RefId(letter(0)))
}

// words shows the names of what is 1: states, reasons.
func words(title, help, none string, width uint32, queries ...*prometheus.DataqueryBuilder) *stat.PanelBuilder {
	p := stat.NewPanelBuilder().Title(title).Description(help).Datasource(source()).Span(width).Height(5).NoValue(none).
		GraphMode(common.BigValueGraphModeNone).ColorMode(common.BigValueColorModeNone).TextMode(common.BigValueTextModeName).
		ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"lastNotNull"}))
	for i, q := range queries {
		p = p.WithTarget(q.Instant().RefId(letter(i)))
	}
	return p
}

// letter names the queries of a panel.
func letter(i int) string { return string(rune('A' + i)) }

func query(expr, legend string) *prometheus.DataqueryBuilder {
	return prometheus.NewDataqueryBuilder().Datasource(source()).Expr(expr).LegendFormat(legend)
}

// danger is a figure that says in words on a red ground when it is 1.
func danger(p *stat.PanelBuilder, calm, bad string) *stat.PanelBuilder {
	return p.ColorMode(common.BigValueColorModeBackground).Thresholds(steps(plain, 1, red)).Mappings(words01(calm, bad))
}

// words01 says 0 and 1 in words.
func words01(calm, bad string) []dashboard.ValueMapping {
	return []dashboard.ValueMapping{{ValueMap: &dashboard.ValueMap{Type: dashboard.MappingTypeValueToText, Options: map[string]dashboard.ValueMappingResult{
		"0": {Text: text(calm)}, "1": {Text: text(bad)}}}}}
}

// above colours a figure from a value on.
func above(p *stat.PanelBuilder, value float64, colour string) *stat.PanelBuilder {
	return p.ColorMode(common.BigValueColorModeValue).Thresholds(steps(plain, value, colour))
}

// below colours a figure under a value.
func below(p *stat.PanelBuilder, value float64, colour string) *stat.PanelBuilder {
	return p.ColorMode(common.BigValueColorModeValue).Thresholds(steps(colour, value, plain))
}

func steps(first string, value float64, then string) *dashboard.ThresholdsConfigBuilder {
	return dashboard.NewThresholdsConfigBuilder().Mode(dashboard.ThresholdsModeAbsolute).
		Steps([]dashboard.Threshold{{Color: first}, {Value: &value, Color: then}})
}

func paint(colour string) []dashboard.DynamicConfigValue {
	return []dashboard.DynamicConfigValue{{Id: "color", Value: map[string]string{"mode": "fixed", "fixedColor": colour}}}
}

// dashes and dots distinguish curves where their colours do not.
var (
	dashes = dashboard.DynamicConfigValue{Id: "custom.lineStyle", Value: map[string]any{"fill": "dash", "dash": []int{8, 6}}}
	dots   = []dashboard.DynamicConfigValue{{Id: "custom.showPoints", Value: "always"}, {Id: "custom.lineInterpolation", Value: "stepAfter"}}
)
