package scenario

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// Follow does to the simulated machine what a person has recorded as done: it realigns the belt,
// empties the bin. It returns when the context ends.
func (w *World) Follow(ctx context.Context) error {
	// Every 6 s of the machine's time, within 0.1 to 1 s of ours.
	pace := 100 * time.Millisecond
	if v := w.set.Speed; v > 0 {
		pace = min(time.Second, max(pace, time.Duration(6/v*float64(time.Second))))
	}
	tick := time.NewTicker(pace)
	defer tick.Stop()
	var seen int64
	for {
		lot, err := w.client.Lot(ctx, w.lot)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return err
		}
		for _, c := range lot.Checks {
			if c.ID > seen {
				seen = c.ID
				w.follow(c, lot.Unverified)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// follow follows one check, after which so many parts are still not counted.
func (w *World) follow(c client.Check, unverified int) {
	n := c.Good
	for _, k := range c.Scrap {
		n += k
	}
	w.inspected.Add(int64(n))
	if c.BeltCleared {
		w.rig.ClearBelt()
		w.inspected.Store(int64(max(0, len(w.rig.Parts())-unverified)))
	}
	if c.Realigned {
		w.rig.Realign(math.Copysign(residualMM, w.rig.LateralOffsetMM()))
	}
	if c.BinEmptied {
		w.rig.EmptyBin()
	}
}

// Hints say what a person would find at the machine now, and what to type next. program is how to
// call this program in the other terminal, whose environment says where the daemon is.
func (w *World) Hints(ctx context.Context, s *supervisor.Snapshot, program string) []string {
	if s.Lot == nil {
		return nil
	}
	say := func(commands ...string) (lines []string) {
		for _, c := range commands {
			lines = append(lines, "  "+program+" "+c)
		}
		return lines
	}
	switch s.State {
	case supervisor.Held, supervisor.Aborted, supervisor.Complete:
	case supervisor.Suspended:
		return say("unsuspend")
	case supervisor.Stopped:
		return say("reset")
	case supervisor.Idle:
		if s.Lot.Status == ledger.LotOpen {
			return say("start")
		}
		return nil
	default:
		return say("hold", "lot show "+fmt.Sprint(w.lot), "status --json")
	}
	f, err := w.look(ctx, s.Lot.Unverified)
	if err != nil {
		return []string{err.Error()}
	}
	found := fmt.Sprintf("At the machine you find: belt offset %+.1f mm, %d whole parts not counted yet", f.OffsetMM, f.Good)
	for _, why := range slices.Sorted(maps.Keys(f.Scrap)) {
		found += fmt.Sprintf(", %d %s", f.Scrap[why], why)
	}
	return append([]string{found + "."}, say(w.commands(s, f)...)...)
}

// commands are the commands that record a finding and go on.
func (w *World) commands(s *supervisor.Snapshot, f Finding) []string {
	check := ""
	if s.Lot.Unverified > 0 {
		check = fmt.Sprintf("check --offset-mm %.1f --good %d", f.OffsetMM, f.Good)
		for _, why := range slices.Sorted(maps.Keys(f.Scrap)) {
			check += fmt.Sprintf(" --scrap %q", fmt.Sprintf("%s=%d", why, f.Scrap[why]))
		}
	} else if s.Belt.OffsetMM == nil && s.Belt.SinceRealignMM > 0 && s.State == supervisor.Held {
		check = fmt.Sprintf("check --offset-mm %.1f", f.OffsetMM)
	}
	if check != "" && math.Abs(f.OffsetMM) >= realignAtMM {
		check += " --realigned"
	}
	var list []string
	switch s.State {
	case supervisor.Held:
		list = append(list, check, "unhold")
	case supervisor.Complete:
		list = append(list, check)
		if check == "" && s.Lot.Status == ledger.LotOpen {
			list = append(list, "reset", "start")
		} else if check == "" {
			list = append(list, fmt.Sprintf("lot show %d", w.lot))
		}
	case supervisor.Aborted:
		if check == "" && (!s.Belt.Clear || s.Lot.Interrupted > 0) {
			check = "check"
		}
		if check != "" {
			check += " --belt-cleared"
		}
		if s.Lot.Interrupted > 0 {
			word := "good"
			if f.Broken {
				word = "scrap"
			}
			check += " --interrupted " + word
		}
		list = append(list, check, "clear", "reset", "start")
	}
	return slices.DeleteFunc(list, func(c string) bool { return c == "" })
}
