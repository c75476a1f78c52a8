package scenario

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

const operatorName = "workshop"

// realignAtMM is the offset at which the workshop realigns the belt, and residualMM what is left of
// it afterwards: nobody tracks a belt perfectly.
const (
	realignAtMM = 0.6 * limitMM
	residualMM  = 0.1
)

// maxFaults is how often the simulated operator clears a fault before giving up.
const maxFaults = 5

// Finding is what a person would find at the machine.
type Finding struct {
	OffsetMM float64 // read to a tenth of a millimetre
	Good     int     // parts not counted before that are whole
	Scrap    map[string]int
	Broken   bool // the interrupted part is not whole, or there is none

	parts int // parts that the machine has made so far
}

// look reads the machine as a person would. unverified is how many parts were made and not looked
// at by the ledger; a part beyond those is the interrupted one.
func (w *World) look(ctx context.Context, unverified int) (Finding, error) {
	f := Finding{OffsetMM: math.Round(w.rig.LateralOffsetMM()*10) / 10, Broken: true}
	lot, err := w.client.Lot(ctx, w.lot)
	if err != nil {
		return f, err
	}
	parts := w.rig.Parts()
	f.parts = len(parts)
	fresh := parts[min(int(w.inspected.Load()), len(parts)):]
	if len(fresh) < unverified {
		return f, fmt.Errorf("cannot count the parts: the ledger has %d not looked at and the machine made %d", unverified, len(fresh))
	}
	perPart := lot.Jobs[0].FilamentMMPerCycle
	for i, p := range fresh {
		flaw := flawOf(p, perPart)
		switch {
		case i >= unverified:
			f.Broken = flaw != ""
		case flaw == "":
			f.Good++
		default:
			if f.Scrap == nil {
				f.Scrap = map[string]int{}
			}
			f.Scrap[flaw]++
		}
	}
	return f, nil
}

// flawOf says in a word why a part is scrap, or nothing.
func flawOf(p rig.Part, filamentMM float64) string {
	switch {
	case p.FilamentMM < 0.98*filamentMM:
		return "incomplete"
	case p.Detached:
		return "came loose"
	}
	return ""
}

// Operate plays the operator until the lot is closed, and then counts the bin.
// It uses the daemon's interface as a person would, and the machine's truth as
// eyes and hands.
func (w *World) Operate(ctx context.Context) error {
	pace := 5 * time.Millisecond
	if w.set.Speed > 0 {
		pace = max(pace, time.Duration(float64(time.Second)/w.set.Speed))
	}
	tick := time.NewTicker(pace)
	defer tick.Stop()
	faults := 0
	for {
		s, err := w.client.Status(ctx)
		if err != nil {
			return err
		}
		if s.State == supervisor.Aborted {
			if faults++; faults > maxFaults {
				return fmt.Errorf("cannot go on with the lot: the machine failed %d times, lastly because %s", faults, s.Cause.Text)
			}
		}
		over, err := w.act(ctx, s)
		if err != nil || over {
			return err
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-tick.C:
		}
	}
}

// act does what the operator does in this state of the machine.
func (w *World) act(ctx context.Context, s *supervisor.Snapshot) (over bool, err error) {
	if s.Lot == nil || s.Lot.ID != w.lot {
		return false, nil
	}
	switch s.State {
	case supervisor.Held:
		if err := w.visit(ctx, s, false); err != nil {
			return false, err
		}
		return false, w.command(ctx, supervisor.Unhold)
	case supervisor.Suspended:
		return false, w.command(ctx, supervisor.Unsuspend)
	case supervisor.Aborted:
		if err := w.visit(ctx, s, true); err != nil {
			return false, err
		}
		return false, w.command(ctx, supervisor.Clear)
	case supervisor.Complete:
		if s.Lot.Unverified > 0 {
			return false, w.visit(ctx, s, false)
		}
		if s.Lot.Status == ledger.LotOpen { // scrap is made up for
			return false, w.command(ctx, supervisor.Reset)
		}
		return true, w.countBin(ctx)
	case supervisor.Stopped:
		return false, w.command(ctx, supervisor.Reset)
	case supervisor.Idle:
		if s.Lot.Status != ledger.LotOpen {
			return true, nil
		}
		return false, w.command(ctx, supervisor.Start)
	}
	return false, nil
}

// visit records what is found, and realigns the belt when it is far out.
func (w *World) visit(ctx context.Context, s *supervisor.Snapshot, fault bool) error {
	f, err := w.look(ctx, s.Lot.Unverified)
	if err != nil {
		return err
	}
	v := supervisor.Visit{OffsetMM: &f.OffsetMM, Good: f.Good, Scrap: f.Scrap, BeltCleared: fault, Sure: true}
	if fault {
		w.rig.ClearBelt()
	}
	if math.Abs(f.OffsetMM) >= realignAtMM {
		w.rig.Realign(math.Copysign(residualMM, f.OffsetMM))
		v.Realigned, v.Note = true, "realigned"
	}
	if s.Lot.Interrupted > 0 {
		v.Interrupted = "scrap"
		if !f.Broken {
			v.Interrupted = "good"
		}
	}
	if _, err := w.client.Check(ctx, client.CheckRequest{Visit: v, By: operatorName}); err != nil {
		return err
	}
	w.inspected.Store(int64(f.parts))
	return nil
}

// command gives a command. One that the machine no longer takes because its state
// has changed in between is no error: the next look shows it.
func (w *World) command(ctx context.Context, c supervisor.Command) error {
	_, err := w.client.Command(ctx, client.CommandRequest{Command: c, By: operatorName})
	var p *client.Problem
	if errors.As(err, &p) && p.Status == 409 {
		s, serr := w.client.Status(ctx)
		if serr == nil && s.State.Acting() {
			return nil
		}
	}
	return err
}

// countBin empties the bin and compares its content with the ledger: every part that was made has
// been run over the drop edge by now.
func (w *World) countBin(ctx context.Context) error {
	lot, err := w.client.Lot(ctx, w.lot)
	if err != nil {
		return err
	}
	in := w.rig.EmptyBin()
	if whole := lot.Made - lot.InterruptedScrap; in < whole {
		return fmt.Errorf("cannot vouch for the count: the ledger has %d parts made and %d lie in the bin", whole, in)
	}
	_, err = w.client.Check(ctx, client.CheckRequest{Visit: supervisor.Visit{BinEmptied: true,
		Note: fmt.Sprintf("%d parts in the bin", in)}, By: operatorName})
	return err
}
