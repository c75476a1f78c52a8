// Command dashboard writes two dashboards: beltwarden.json over the metrics of one machine, and
// beltwarden-all.json over all machines. It is a module of its own: what it needs is no part of the
// program.
//
//	go run . > beltwarden.json; go run . -all > beltwarden-all.json
//	go run . -check beltwarden.json; go run . -all -check beltwarden-all.json
//	go run . -rules beltwarden.json > queries.yml; promtool check rules queries.yml
package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
)

func main() {
	check := flag.String("check", "", "compare with this file and write nothing")
	rules := flag.String("rules", "", "write the queries of this file as rules, for promtool to check")
	all := flag.Bool("all", false, "the dashboard over all machines")
	flag.Parse()
	var err error
	if *rules != "" {
		err = asRules(*rules)
	} else {
		err = run(*all, *check)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "dashboard:", err)
		os.Exit(1)
	}
}

func run(all bool, check string) error {
	generate := oneMachine
	if all {
		generate = allMachines
	}
	made, err := asJSON(generate())
	if err != nil {
		return err
	}
	if check == "" {
		_, err = os.Stdout.Write(made)
		return err
	}
	there, err := os.ReadFile(check)
	if err != nil {
		return fmt.Errorf("cannot compare: %w", err)
	}
	if !bytes.Equal(there, made) {
		return errors.New(check + " is not what this program writes; in deploy/dashboard: go run . > beltwarden.json")
	}
	return nil
}

// The identities of the dashboards, by which each links to the other.
const (
	oneUID = "beltwarden-machine"
	allUID = "beltwarden-machines"
)

// board is what both dashboards have in common.
func board(uid, title, description string) *dashboard.DashboardBuilder {
	//nolint:staticcheck // The newer form is not read by servers that are in use for years yet.
	return dashboard.NewDashboardBuilder(title).
		Uid(uid).
		Description(description+" It watches; it protects nobody.").
		Tags([]string{"beltwarden"}).
		Time("now-12h", "now").
		Refresh("15s").
		Timezone(common.TimeZoneBrowser).
		WithVariable(dashboard.NewDatasourceVariableBuilder("source").Label("Data from").Type("prometheus"))
}

// oneMachine is the dashboard of the machine that is chosen.
func oneMachine() *dashboard.DashboardBuilder {
	b := board(oneUID, "beltwarden: one machine", "When somebody must be at the machine, why, and how many good parts there will be.").
		WithVariable(dashboard.NewQueryVariableBuilder("machine").Label("Machine").
			Datasource(source()).
			Query(dashboard.StringOrMap{String: text(`label_values(beltwarden_build_info, machine)`)}).
			Refresh(dashboard.VariableRefreshOnTimeRangeChanged).
			Sort(dashboard.VariableSortAlphabeticalAsc)).
		Link(dashboard.NewDashboardLinkBuilder("All machines").Type(dashboard.DashboardLinkTypeLink).Url("/d/" + allUID))
	for _, m := range marks() {
		b = b.Annotation(m)
	}
	return filled(b, rows())
}

// allMachines is the dashboard over all machines.
func allMachines() *dashboard.DashboardBuilder {
	return filled(board(allUID, "beltwarden: all machines", "Which machine needs somebody, when, and why."), []row{machines()})
}

// filled puts rows of panels into a dashboard.
func filled(b *dashboard.DashboardBuilder, rows []row) *dashboard.DashboardBuilder {
	id := uint32(0)
	for _, r := range rows {
		id++
		b = b.WithRow(dashboard.NewRowBuilder(r.question).Id(id))
		for _, p := range r.panels {
			id++
			b = b.WithPanel(numbered{p, id})
		}
	}
	return b
}

// asJSON writes a dashboard as its servers read it.
func asJSON(b *dashboard.DashboardBuilder) ([]byte, error) {
	built, err := b.Build()
	if err != nil {
		return nil, fmt.Errorf("cannot build the dashboard: %w", err)
	}
	out, err := json.MarshalIndent(built, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("cannot write the dashboard: %w", err)
	}
	return append(out, '\n'), nil
}

// numbered gives a panel its number, which addresses within the dashboard go by.
type numbered struct {
	cog.Builder[dashboard.Panel]
	id uint32
}

func (n numbered) Build() (dashboard.Panel, error) {
	p, err := n.Builder.Build()
	p.Id = &n.id
	return p, err
}
