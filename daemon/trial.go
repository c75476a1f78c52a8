package main

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// trialFlags are the flags of trial as they stand on the command line.
type trialFlags struct {
	metres, feed, beforeMM, afterMM  float64
	travelMM, advanceMM              float64
	turned, by                       string
	parts                            int
	yes, giveUp, sure, asJSON, moved bool
}

// trialCaution is said before the belt moves.
const trialCaution = "The belt will move by itself. It draws in fingers, sleeves and hair at its rollers and\n" +
	"at the drop edge: keep clear, leave the guards on, and have the mains switch within reach.\n" +
	"Mark the belt and watch the mark move: without mains power nothing does, whatever the board reports.\n" +
	"Take parts and tools off the belt, and lift the head off it. To stop it: beltwarden stop, or\n" +
	"the switch. Before you turn an adjuster, wait until the belt has stopped and switch the mains\n" +
	"off; switching off also releases the belt, so read the offset first. Local codes come first."

func newTrial() *cobra.Command {
	var f trialFlags
	c := &cobra.Command{
		Use:   "trial",
		Short: "Run the empty belt some metres and judge its alignment",
		Long: "trial runs the cold, empty belt forward, asks for its lateral offset before and\n" +
			"after, and judges the alignment against the lot that is open, or against --parts.\n" +
			"On a terminal it asks for everything; elsewhere use trial begin and trial end.\n\n" +
			"With --turned give what you turned since the last trial. After two adjustments of\n" +
			"the same adjuster or more, it may suggest which way and about how far to turn. It knows\n" +
			"nothing of adjusters by itself.\n\n" + trialCaution,
		Example: "  beltwarden trial\n" +
			"  beltwarden trial begin --metres 5 --before-mm 0.2 --turned \"left +0.5\" --yes\n" +
			"  beltwarden trial end --after-mm 0.9",
		Args: args(0, 0, ""),
	}
	f.begins(c)
	f.ends(c)
	c.RunE = func(c *cobra.Command, _ []string) error { return f.guided(c) }
	c.AddCommand(newTrialBegin(), newTrialEnd())
	return c
}

func newTrialBegin() *cobra.Command {
	var f trialFlags
	c := &cobra.Command{
		Use:   "begin --before-mm MM --yes",
		Short: "Run the empty belt after reading the offset",
		Long:  "begin runs the belt and returns at once; status shows how far it is.\n\n" + trialCaution,
		Args:  args(0, 0, ""),
	}
	f.begins(c)
	c.Flags().Float64Var(&f.beforeMM, "before-mm", 0, "lateral offset of the belt now, mm, + to the right from where you stand")
	c.Flags().BoolVar(&f.yes, "yes", false, "hands, tools and parts are clear of the belt, and the head is off it")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := needFlags(c, "before-mm"); err != nil {
			return err
		}
		q, err := f.beginRequest(f.yes)
		if err != nil {
			return err
		}
		return sendRequest(c, f.asJSON, func(ctx context.Context, d *client.Client) (supervisor.Result, error) {
			return d.BeginTrial(ctx, q)
		})
	}
	return c
}

func newTrialEnd() *cobra.Command {
	var f trialFlags
	c := &cobra.Command{
		Use:   "end --after-mm MM",
		Short: "Give the offset after the run and judge the alignment",
		Args:  args(0, 0, ""),
	}
	f.ends(c)
	c.Flags().Float64Var(&f.afterMM, "after-mm", 0, "lateral offset of the belt after the run, mm, + to the right from where you stand")
	c.Flags().BoolVar(&f.moved, "mark-moved", false, "a mark on the belt was seen to move; needed when the two offsets are equal")
	c.Flags().BoolVar(&f.giveUp, "give-up", false, "end the trial without a reading")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if c.Flags().Changed("after-mm") == f.giveUp {
			return usagef("cannot end the trial: give --after-mm, or --give-up")
		}
		return f.end(c)
	}
	return c
}

func (f *trialFlags) begins(c *cobra.Command) {
	l := c.Flags()
	l.Float64Var(&f.metres, "metres", 0, "how far to run the belt, m (default: 5, or as many whole loops as come closest)")
	l.Float64Var(&f.feed, "feed", 0, "how fast, mm/min (default: the feed of the discharge)")
	l.StringVar(&f.turned, "turned", "", "what you turned since the last trial: a name and signed turns, such as \"left +0.5\"")
	f.common(c)
}

func (f *trialFlags) ends(c *cobra.Command) {
	c.Flags().IntVar(&f.parts, "parts", 0, "judge for so many parts (default: the open lot)")
	c.Flags().Float64Var(&f.travelMM, "travel-mm", 0, "belt travel of each of them, mm")
	c.Flags().Float64Var(&f.advanceMM, "advance-mm", 0, "net belt advance of each of them, mm (default: as much as its travel)")
	f.common(c)
}

func (f *trialFlags) common(c *cobra.Command) {
	if c.Flags().Lookup("by") != nil {
		return
	}
	c.Flags().StringVar(&f.by, "by", "", "who asks (default: the user at the socket)")
	c.Flags().BoolVar(&f.sure, "sure", false, "confirm an offset that was questioned")
	c.Flags().BoolVar(&f.asJSON, "json", false, "print the answer as JSON")
}

// beginRequest is what the flags ask for.
func (f *trialFlags) beginRequest(clear bool) (client.TrialBeginRequest, error) {
	q := client.TrialBeginRequest{By: f.by}
	q.RunMM, q.FeedMMPerMin, q.BeforeMM, q.Clear = 1000*f.metres, f.feed, &f.beforeMM, clear
	q.Sure = f.sure
	var wrong []string
	for name, v := range map[string]float64{"metres": f.metres, "feed": f.feed, "before-mm": f.beforeMM} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			wrong = append(wrong, fmt.Sprintf("--%s %g is not a number", name, v))
		}
	}
	if f.turned != "" {
		name, turns, ok := cutTurned(f.turned)
		if !ok {
			wrong = append(wrong, fmt.Sprintf("--turned %q: write one name and signed turns, such as \"left +0.5\"", f.turned))
		}
		q.Adjuster, q.Turns = name, turns
	}
	if len(wrong) > 0 {
		return q, usageMany("begin the trial", wrong)
	}
	return q, nil
}

// cutTurned reads a name and signed turns. The name may have several words.
func cutTurned(text string) (name string, turns float64, ok bool) {
	words := strings.Fields(text)
	if len(words) < 2 {
		return "", 0, false
	}
	turns, err := strconv.ParseFloat(words[len(words)-1], 64)
	name = strings.Join(words[:len(words)-1], " ")
	return name, turns, err == nil && turns != 0 && !math.IsNaN(turns) && !math.IsInf(turns, 0) && !strings.ContainsAny(name, ",;")
}

func (f *trialFlags) end(c *cobra.Command) error {
	for name, v := range map[string]float64{"after-mm": f.afterMM, "travel-mm": f.travelMM, "advance-mm": f.advanceMM} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return usagef("cannot end the trial: --%s %g is not a number", name, v)
		}
	}
	q := client.TrialEndRequest{By: f.by}
	q.GiveUp, q.Parts, q.PartTravelMM, q.PartAdvanceMM = f.giveUp, f.parts, f.travelMM, f.advanceMM
	q.Sure, q.MarkMoved = f.sure, f.moved
	if !f.giveUp {
		q.AfterMM = &f.afterMM
	}
	return sendRequest(c, f.asJSON, func(ctx context.Context, d *client.Client) (supervisor.Result, error) {
		return d.EndTrial(ctx, q)
	})
}
