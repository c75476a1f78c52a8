// Command dashboard writes beltwarden.json, a dashboard over the metrics of one
// machine. It is a module of its own: what it needs is no part of the program.
//
//	go run . > beltwarden.json
//	go run . -check beltwarden.json
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
	flag.Parse()
	var err error
	if *rules != "" {
		err = asRules(*rules)
	} else {
		err = run(*check)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "dashboard:", err)
		os.Exit(1)
	}
}

func run(check string) error {
	made, err := generate()
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

// generate returns the dashboard as JSON.
func generate() ([]byte, error) {
	//nolint:staticcheck // The newer form is not read by servers that are in use for years yet.
	b := dashboard.NewDashboardBuilder("beltwarden: one machine").
		Uid("beltwarden-machine").
		Description("When somebody must be at the machine, why, and how many good parts there will be. It watches; it protects nobody.").
		Tags([]string{"beltwarden"}).
		Time("now-12h", "now").
		Refresh("15s").
		Timezone(common.TimeZoneBrowser).
		WithVariable(dashboard.NewDatasourceVariableBuilder("source").Label("Data from").Type("prometheus")).
		WithVariable(dashboard.NewQueryVariableBuilder("machine").Label("Machine").
			Datasource(source()).
			Query(dashboard.StringOrMap{String: text(`label_values(beltwarden_build_info, machine)`)}).
			Refresh(dashboard.VariableRefreshOnTimeRangeChanged).
			Sort(dashboard.VariableSortAlphabeticalAsc))
	id := uint32(0)
	for _, r := range rows() {
		id++
		b = b.WithRow(dashboard.NewRowBuilder(r.question).Id(id))
		for _, p := range r.panels {
			id++
			b = b.WithPanel(numbered{p, id})
		}
	}
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
