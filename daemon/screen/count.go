package screen

import (
	"fmt"
	"time"

	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
)

// countView is the count against the order.
type countView struct {
	Lot                                                 bool
	ID                                                  int64
	Name, Status                                        string
	Made, Good, Unverified, Scrap, Ordered, Interrupted int
	Wanted                                              int
	Foretold                                            []row
	Jobs                                                []jobView
	// Bars are the shares of the order as whole percents, for the picture; they end at 100.
	GoodShare, UnverifiedShare int
}

type jobView struct {
	Name                                   string
	Ordered, Made, Good, Unverified, Scrap int
}

func countOf(s *supervisor.Snapshot) countView {
	l := s.Lot
	if l == nil {
		return countView{}
	}
	v := countView{Lot: true, ID: l.ID, Name: l.Name, Status: l.Status, Made: l.Made, Good: l.Good, Unverified: l.Unverified, Scrap: l.Scrap,
		Ordered: l.Ordered, Interrupted: l.Interrupted, Wanted: l.Wanted}
	if l.Ordered > 0 {
		v.GoodShare = min(100, 100*l.Good/l.Ordered)
		v.UnverifiedShare = min(100-v.GoodShare, 100*l.Unverified/l.Ordered)
	}
	v.Foretold = foretold(l, s.At)
	if len(l.Jobs) > 1 {
		for _, j := range l.Jobs {
			v.Jobs = append(v.Jobs, jobView{j.Name, j.Ordered, j.Made, j.Good, j.Count().NotLookedAt(), j.Scrap})
		}
	}
	return v
}

// foretold is what is still to come of a lot.
func foretold(l *supervisor.LotView, now time.Time) (list []row) {
	if l.Wanted > 0 {
		list = append(list, row{"Still to begin", wording.Count(l.Wanted, "part")})
	}
	if !l.DoneAt.IsZero() && l.Wanted > 0 {
		list = append(list, row{"Last of them", wording.DoneAt(l, now) + ", without the stops"})
	}
	if text := wording.ReadyAt(l, now); text != "" {
		list = append(list, row{fmt.Sprintf("All %d good", l.Ordered), text})
	}
	if text := wording.YieldText(l); text != "" {
		list = append(list, row{"Scrap", text})
	}
	return list
}

// whereView says where the parts are.
type whereView struct {
	Making           bool
	Part             int
	Percent          int
	Left             string
	OnBelt, Off      int
	Binned, BinHolds int
	HasBin           bool
	Uncertain        string
}

func whereOf(s *supervisor.Snapshot) whereView {
	v := whereView{}
	onBelt := 0
	for _, p := range s.Belt.Parts {
		if !p.Making {
			onBelt++
		}
	}
	v.OnBelt = onBelt
	if l := s.Lot; l != nil {
		v.Off = max(0, l.Made-onBelt)
		if l.Part > 0 {
			v.Making, v.Part = l.InProgress > 0, l.Part
			if v.Making && l.PartTakes > 0 {
				elapsed := s.At.Sub(l.PartBegun)
				v.Percent = int(100 * min(0.99, max(0, float64(elapsed)/float64(l.PartTakes))))
				v.Left = wording.Left(max(0, l.PartTakes-elapsed).Round(time.Second))
			}
		}
	}
	if n := s.Supply.Binned; n != nil {
		v.HasBin, v.Binned, v.BinHolds = true, *n, s.Supply.BinHolds
	}
	if s.Belt.UncertainMM > 0 {
		v.Uncertain = wording.Metres(s.Belt.UncertainMM)
	}
	return v
}
