package main

import (
	"errors"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// operate does what an operator would do now. A request that is refused, or that
// the kill cuts off, is tried again or not, as the next state asks for.
func (c *campaign) operate(s *supervisor.Snapshot) {
	ctx := c.Context()
	command := func(name supervisor.Command) {
		_, err := c.daemon.Command(ctx, client.CommandRequest{Command: name})
		c.tolerate(err)
	}
	switch s.State {
	case supervisor.Aborted:
		command(supervisor.Clear)
	case supervisor.Held:
		c.visit(s)
		command(supervisor.Unhold)
	case supervisor.Stopped:
		command(supervisor.Reset)
	case supervisor.Idle, supervisor.Complete:
		c.visit(s)
		s, err := c.daemon.Status(ctx)
		switch {
		case err != nil:
			return
		case s.Lot == nil || s.Lot.Status == ledger.LotClosed:
			_, err = c.daemon.OpenLot(ctx, client.LotRequest{Jobs: []string{c.job}, Good: []int{c.good}, Start: true})
			c.tolerate(err)
		case s.State == supervisor.Complete:
			command(supervisor.Reset)
		case s.State == supervisor.Idle:
			command(supervisor.Start)
		}
	}
}

// visit records what is to be seen at the machine: every part made is good, every
// part begun and not made is scrap, and nothing is left on the belt.
func (c *campaign) visit(s *supervisor.Snapshot) {
	v := supervisor.Visit{BeltCleared: true}
	if l := s.Lot; l != nil {
		v.Good = l.Unverified
		if l.Interrupted > 0 {
			v.Interrupted = "scrap"
		}
		if v.Good == 0 && v.Interrupted == "" && s.Belt.Clear && s.State != supervisor.Held {
			return
		}
	} else if s.Belt.Clear {
		return
	}
	_, err := c.daemon.Check(c.Context(), client.CheckRequest{Visit: v})
	c.tolerate(err)
}

// tolerate lets an error pass that the kill, or a state that has just changed,
// explains.
func (c *campaign) tolerate(err error) {
	var p *client.Problem
	if err == nil || errors.As(err, &p) && p.Status == 409 || c.daemon.gone() {
		return
	}
	var away *client.UnreachableError
	var lost *client.LostError
	if errors.As(err, &away) || errors.As(err, &lost) {
		return // killed, and not yet waited for
	}
	c.Errorf("the operator's request failed: %v", err)
}
