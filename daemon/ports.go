package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/serialio"
)

// portRow is one port as --json prints it.
type portRow struct {
	Path        string   `json:"path"`
	StableNames []string `json:"stable_names"`
	VendorID    string   `json:"vendor_id,omitempty"`
	ProductID   string   `json:"product_id,omitempty"`
	Serial      string   `json:"serial_number,omitempty"`
	Product     string   `json:"product,omitempty"`
}

func newPorts() *cobra.Command {
	c := &cobra.Command{
		Use: "ports [PORT --rule]", Short: "List serial ports with their stable names", Args: args(0, 1, "one port"),
		Long: "ports lists this computer's serial ports, with names that stay the same when\n" +
			"a cable is plugged in again: use one of those in the configuration.\n" +
			"It opens each port briefly to see whether it is there: do not run it while\n" +
			"a machine is printing.\n\n" +
			"With --rule and a port it prints a udev rule that gives this adapter the name\n" +
			"/dev/beltwarden/machine, and keeps programs that look for modems from writing to it.",
		Example: "  beltwarden ports\n" +
			"  beltwarden ports /dev/ttyACM0 --rule | sudo tee /etc/udev/rules.d/71-beltwarden.rules",
	}
	rule := c.Flags().Bool("rule", false, "print a rule for udev about this port")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if *rule != (len(args) == 1) {
			return usagef("cannot list ports: --rule and a port belong together, as in: beltwarden ports /dev/ttyACM0 --rule")
		}
		list, err := serialio.Ports()
		if err != nil {
			return &failure{status: exitPort, err: err}
		}
		if *rule {
			return printRule(c.OutOrStdout(), list, args[0])
		}
		rows := make([]portRow, 0, len(list))
		for _, p := range list {
			names := p.StableNames
			if names == nil {
				names = []string{}
			}
			rows = append(rows, portRow{p.Path, names, p.VendorID, p.ProductID, p.SerialNumber, p.Product})
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), rows)
		}
		return printLines(c.OutOrStdout(), portLines(rows))
	}
	return c
}

// portLines writes the name to use first, since that is what is looked for.
func portLines(rows []portRow) []string {
	if len(rows) == 0 {
		return []string{"no serial port found: plug the machine in, switch it on, and try again"}
	}
	var out []string
	for _, r := range rows {
		name := bestName(r.Path, r.StableNames)
		out = append(out, name)
		if name != r.Path {
			out = append(out, "  now "+r.Path)
		}
		if r.VendorID != "" {
			out = append(out, strings.TrimRight(fmt.Sprintf("  USB %s:%s %s %s", r.VendorID, r.ProductID, r.Product, r.Serial), " "))
		}
		if len(r.StableNames) > 1 {
			out = append(out, "  also "+strings.Join(r.StableNames[1:], ", "))
		}
	}
	return out
}

// bestName is what to call a port by in a configuration: a name that stays, if it has one.
func bestName(path string, stable []string) string {
	if len(stable) > 0 {
		return stable[0]
	}
	return path
}
