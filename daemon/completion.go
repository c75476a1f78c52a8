package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
)

// completionLimit is how long a completion waits for the daemon: somebody has pressed a key.
const completionLimit = 150 * time.Millisecond

// mostOffered bounds what a completion offers.
const mostOffered = 100

// candidates are words that a shell may offer, each with a description behind a tab.
type candidates []string

// add adds a word with its description. A word that a shell would have to quote is left out.
func (list *candidates) add(word, description string) {
	if word == "" || word != wording.Printable(word) || strings.ContainsAny(word, " '\"$`\\&;|<>()*?[]{}!#~") || len(*list) == mostOffered {
		return
	}
	*list = append(*list, word+"\t"+wording.Clip(wording.Printable(description), 60))
}

// offered asks the daemon for candidates. A daemon that is away, busy or closed to us offers nothing.
func offered(c *cobra.Command, ask func(ctx context.Context, d *client.Client, list *candidates) error) []string {
	d, err := newClient(c)
	if err != nil {
		return nil
	}
	defer d.Close()
	parent := c.Context()
	if parent == nil {
		parent = context.Background()
	}
	ctx, cancel := context.WithTimeout(parent, completionLimit)
	defer cancel()
	var list candidates
	if err := ask(ctx, d, &list); err != nil {
		return nil
	}
	return list
}

// offers is what completes an argument or the value of a flag.
type offers = func(c *cobra.Command, args []string, begun string) ([]string, cobra.ShellCompDirective)

// words offers fixed words.
func words(list ...string) offers {
	return func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		return list, cobra.ShellCompDirectiveNoFileComp | cobra.ShellCompDirectiveKeepOrder
	}
}

// fromDaemon offers what the daemon knows.
func fromDaemon(extra cobra.ShellCompDirective, ask func(ctx context.Context, d *client.Client, list *candidates) error) offers {
	return func(c *cobra.Command, _ []string, _ string) ([]string, cobra.ShellCompDirective) {
		return offered(c, ask), cobra.ShellCompDirectiveNoFileComp | cobra.ShellCompDirectiveKeepOrder | extra
	}
}

// once offers only for the first argument.
func once(o offers) offers {
	return func(c *cobra.Command, args []string, begun string) ([]string, cobra.ShellCompDirective) {
		if len(args) > 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return o(c, args, begun)
	}
}

// lotNumbers are the lots, the newest first.
func lotNumbers(keep func(client.LotSummary) bool) offers {
	return once(fromDaemon(0, func(ctx context.Context, d *client.Client, list *candidates) error {
		lots, err := d.Lots(ctx)
		for _, l := range lots {
			if keep(l) {
				list.add(fmt.Sprint(l.ID), fmt.Sprintf("%s, %s, %d of %d good", l.Name, l.Status, l.Good, l.Ordered))
			}
		}
		return err
	}))
}

// openLot is the lot in progress with its history.
func openLot(ctx context.Context, d *client.Client) (*client.LotDetail, error) {
	s, err := d.Status(ctx)
	if err != nil || s.Lot == nil {
		return nil, err
	}
	return d.Lot(ctx, s.Lot.ID)
}

// jobsToMake are the stored jobs and the copies of earlier lots; a shell adds the files there are.
func jobsToMake(c *cobra.Command, _ []string, begun string) ([]string, cobra.ShellCompDirective) {
	list := offered(c, func(ctx context.Context, d *client.Client, list *candidates) error {
		jobs, err := d.Jobs(ctx)
		if err != nil {
			return err
		}
		for _, j := range jobs {
			list.add(j.Name, "uploaded")
		}
		if !strings.HasPrefix(begun, "lot:") {
			return nil
		}
		lots, err := d.Lots(ctx)
		for _, l := range lots {
			list.add(fmt.Sprintf("lot:%d", l.ID), "as lot "+fmt.Sprint(l.ID)+", "+l.Name)
		}
		return err
	})
	list = slices.DeleteFunc(list, func(s string) bool { return !strings.HasPrefix(s, begun) })
	return list, cobra.ShellCompDirectiveKeepOrder
}

// completions puts what completes arguments and flags at each command.
func completions(root *cobra.Command) {
	arguments := map[string]offers{
		"lot show":   lotNumbers(func(client.LotSummary) bool { return true }),
		"lot report": lotNumbers(func(client.LotSummary) bool { return true }),
		"lot end":    lotNumbers(func(l client.LotSummary) bool { return l.Status == "open" || l.Status == "made" }),
		"lot start":  jobsToMake,
		"alert test": receivers,
	}
	flags := map[string]offers{
		"check interrupted": words("good", "scrap"),
		"check surface":     words("cleaned", "taped"),
		"check job":         fromDaemon(0, jobNumbers),
		"check corrects":    fromDaemon(0, checkNumbers),
		"check did":         fromDaemon(0, careNames),
		"check scrap":       fromDaemon(cobra.ShellCompDirectiveNoSpace, scrapReasons),
		"lot report format": words(reportFormats...),
		"invite role":       words("look", "operate"),
		" color":            words("auto", "always", "never"),
	}
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		name := strings.TrimSpace(strings.TrimPrefix(c.CommandPath(), root.Name()))
		if o := arguments[name]; c.ValidArgsFunction != nil || len(c.ValidArgs) > 0 {
			// the command has its own
		} else if o != nil {
			c.ValidArgsFunction = o
		} else if !strings.Contains(c.Use, " ") && c.HasParent() && !c.HasSubCommands() {
			c.ValidArgsFunction = cobra.NoFileCompletions
		}
		c.NonInheritedFlags().VisitAll(func(f *pflag.Flag) {
			if _, own := c.GetFlagCompletionFunc(f.Name); own {
				return
			}
			o := flags[name+" "+f.Name]
			if o == nil && !strings.Contains(f.Usage, "file") && !strings.Contains(f.Usage, "path") {
				o = cobra.NoFileCompletions
			}
			if o != nil {
				if err := c.RegisterFlagCompletionFunc(f.Name, o); err != nil {
					panic(err) // a flag that was just visited
				}
			}
		})
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(root)
}

// receivers are those of alerts that are not named yet.
func receivers(c *cobra.Command, args []string, begun string) ([]string, cobra.ShellCompDirective) {
	return fromDaemon(0, func(ctx context.Context, d *client.Client, list *candidates) error {
		all, err := d.Alerts(ctx)
		for _, r := range all {
			if r.Configured && !slices.Contains(args, r.Name) {
				list.add(r.Name, r.Kind)
			}
		}
		return err
	})(c, args, begun)
}

func jobNumbers(ctx context.Context, d *client.Client, list *candidates) error {
	s, err := d.Status(ctx)
	if err != nil || s.Lot == nil {
		return err
	}
	for i, j := range s.Lot.Jobs {
		list.add(fmt.Sprint(i+1), fmt.Sprintf("%s, %d not looked at", j.Name, j.Made-j.Good-j.Scrap))
	}
	return nil
}

func checkNumbers(ctx context.Context, d *client.Client, list *candidates) error {
	l, err := openLot(ctx, d)
	if err != nil || l == nil {
		return err
	}
	for _, c := range slices.Backward(l.Checks) {
		if c.CorrectedBy == 0 {
			list.add(fmt.Sprint(c.ID), fmt.Sprintf("%s: %d good", c.At.Local().Format("2006-01-02 15:04"), c.Good))
		}
	}
	return nil
}

func careNames(ctx context.Context, d *client.Client, list *candidates) error {
	s, err := d.Status(ctx)
	if err != nil {
		return err
	}
	for _, care := range s.Care {
		list.add(care.Name, wording.CareText(care))
	}
	return nil
}

func scrapReasons(ctx context.Context, d *client.Client, list *candidates) error {
	l, err := openLot(ctx, d)
	if err != nil || l == nil {
		return err
	}
	for _, reason := range slices.Sorted(maps.Keys(l.ScrapByReason)) {
		list.add(reason+"=", fmt.Sprintf("%d so far", l.ScrapByReason[reason]))
	}
	return nil
}
